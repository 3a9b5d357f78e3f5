"""Handing over: one parcel, its copies and their transitions in one transaction."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Literal

from sqlalchemy import select, update

from app.flow import payments
from app.flow.actions import Done
from app.flow.after import belongings
from app.flow.changes import change_in, note
from app.flow.money import Paid
from app.flow.questions import confirm_spelling
from app.flow.steps import MoveKey, Of, Step
from app.flow.store import Ref, mark_stale
from app.moving.effects import MoveDetails
from app.moving.parcels import ParcelDetails
from app.moving.perform import Seen, perform, perform_in
from app.parcels import numbers, store
from app.shared.errors import AlreadyMoved, BadFields, NotFound
from app.shared.people import Person
from app.shared.web.fields import Day, Fields, Line, Short, Tick, Words
from app.studio.workshop import Workshop
from app.tables import copies, orders

# Who says that a parcel arrived, as the log keeps it.
SAID_BY = {"carrier": "By the carrier’s word.", "customer": "By the customer’s word."}


class ParcelFields(Fields):
    """What leaves, how, and why all the same where something stands against it."""

    way: Literal["carrier", "collected", "brought"] = "carrier"
    carrier: Line
    number: Line
    note: Line
    sent_on: Day
    sent_at: Short
    reason: Words
    sure: Tick
    once: Line


class ReceivedFields(Fields):
    """By whose word a parcel arrived, and when."""

    word: Literal["carrier", "customer"] = "carrier"
    sent_on: Day
    sent_at: Short


def hand_over(
    workshop: Workshop, copy_ids: Sequence[int], typed: ParcelFields, sent: int | None, who: Person,
    lent: Sequence[int] = (), sealed: int | None = None, *, asks: bool = False,
) -> tuple[int, Done]:  # fmt: skip
    """Hand copies over in one parcel. `sent` is a typed moment, or None for now; the belongings
    `lent` go back in it; `sealed` is the parcel in which they were packed, None where it is made as
    it leaves. Who `asks` hears last of a number that is missing or stands on another parcel.

    Gives the parcel's id. Raises BadFields where a reason against leaving still stands, where
    nothing is ticked, or where the carrier is not named; nothing is written then.
    """
    if not copy_ids:
        raise BadFields({"copy": "Tick what goes into the parcel."})
    seen = [Seen(Ref(Of.COPY, id_)) for id_ in copy_ids]
    parcel = ParcelDetails(typed.way, typed.carrier, typed.number, typed.note, lent, sealed)
    said = MoveDetails(happened_at=sent, reason=typed.reason, parcel=parcel)
    with _at("sent_at" if typed.sent_at else "sent_on"), workshop.database.writing() as db:
        done = perform_in(db, workshop, seen, MoveKey.HANDED_OVER, said, who, typed.once)
        parcel_id = done.amounts[seen[0].ref]
        assert parcel_id is not None
        if asks and typed.way == "carrier":
            numbers.ask_first(workshop, db, typed, [parcel_id])
    workshop.changed.set()
    return parcel_id, done


def hand_over_sealed(
    workshop: Workshop, parcel_id: int, typed: ParcelFields, sent: int | None, who: Person,
    *, asks: bool = False,
) -> None:  # fmt: skip
    """A sealed parcel leaves with all that lies in it, in one transaction of its own.

    Raises AlreadyMoved where it has left, and what `hand_over` raises.
    """
    with workshop.database.reading() as db:
        row, inside = store.parcel(db, parcel_id)
        lent = belongings.lying_in(db, parcel_id)
    if row["sent_at"] is not None:
        raise AlreadyMoved(f"Parcel {parcel_id} has left already.")
    if not inside:
        raise BadFields({"parcel": f"Nothing lies in parcel {parcel_id} any more. Look at it."})
    hand_over(
        workshop, [copy["id"] for copy in inside], typed, sent, who, lent, parcel_id, asks=asks
    )


def received(
    workshop: Workshop, parcel_id: int, when: int | None, who: Person, once: str, word: str = ""
) -> Done:
    """Everything of a parcel that is on its way has been received. `when` as typed, or now; `word`
    is who said so."""
    with workshop.database.reading() as db:
        _, inside = store.parcel(db, parcel_id)
    gone = [Seen(Ref(Of.COPY, row["id"])) for row in inside if row["step"] == Step.HANDED_OVER]
    if not gone:
        raise AlreadyMoved("It is already marked as received.")
    with _at("sent_on"):
        said = MoveDetails(happened_at=when, reason=SAID_BY.get(word, ""))
        return perform(workshop, gone, MoveKey.RECEIVED, said, who, once)


@contextmanager
def _at(name: str) -> Iterator[None]:
    """What is wrong with a moment, said at the field in which it was typed."""
    try:
        yield
    except BadFields as why:
        fields = {name if f == "happened_at" else f: said for f, said in why.fields.items()}
        raise BadFields(fields) from None


def confirm(workshop: Workshop, order_id: int, what: str, copy_id: int | None, who: Person) -> None:
    """The customer has confirmed an address, or a copy's spelling, or has paid in full.

    Raises NotFound.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        if db.execute(select(orders.c.id).where(orders.c.id == order_id)).first() is None:
            raise NotFound("There is no such order.")
        if what == "paid":
            change_in(db, orders, order_id, order_id, {"paid": str(Paid.ALL)}, who, now)
            payments.noted(db, order_id, who, now)
        elif what == "address":
            db.execute(
                update(orders).where(orders.c.id == order_id).values(address_confirmed_at=now)
            )
            note(
                db, who.account_id, now, "orders", "address confirmed", "", "by the customer",
                of_id=order_id, order_id=order_id,
            )  # fmt: skip
        else:
            known = db.execute(
                select(copies.c.id).where(copies.c.id == copy_id, copies.c.order_id == order_id)
            ).first()
            if known is None or copy_id is None:
                raise NotFound("That piece does not belong to this order.")
            confirm_spelling(db, order_id, copy_id, who, now)
        mark_stale(db, [order_id])
    workshop.changed.set()
