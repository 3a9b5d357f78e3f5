"""Handing over: one parcel, its copies and their transitions in one transaction."""

from collections.abc import Sequence
from typing import Literal

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.engine import RowMapping

from app.flow.actions import Done, Wish, record_in
from app.flow.rules import Kind
from app.flow.steps import MoveKey, Of, Step
from app.flow.store import Ref, mark_stale
from app.parcels import rules, store
from app.shared.errors import AlreadyMoved, BadFields, NotFound
from app.shared.people import Person
from app.shared.web.fields import Day, Fields, Line, Short, Words
from app.studio.workshop import Workshop
from app.tables import changes, copies, orders, parcels


class ParcelFields(Fields):
    """What leaves, how, and why all the same where something stands against it."""

    way: Literal["carrier", "collected", "brought"] = "carrier"
    carrier: Line
    number: Line
    note: Line
    sent_on: Day
    sent_at: Short
    reason: Words
    once: Line


def hand_over(
    workshop: Workshop, copy_ids: Sequence[int], typed: ParcelFields, sent: int | None, who: Person
) -> tuple[int, Done]:
    """Hand copies over in one parcel. `sent` is a typed moment, or None for now.

    Gives the parcel's id. Raises BadFields where a reason against leaving still stands, where
    nothing is ticked, or where the carrier is not named; nothing is written then.
    """
    if not copy_ids:
        raise BadFields({"copy": "Tick what goes into the parcel."})
    if typed.way == "carrier" and not typed.carrier:
        raise BadFields({"carrier": "Which carrier?"})
    now = workshop.now()
    with workshop.database.writing() as db:
        rows = [store.copy_row(db, id_) for id_ in dict.fromkeys(copy_ids)]
        for row in rows:
            if row["step"] != Step.PACKING:
                raise AlreadyMoved(f"{_code(row)} is not at packing any more.")
            left = rules.refused(store.stops_of(db, row, now), who.role, typed.reason)
            if left:
                raise BadFields({"reason": _why_not(row, left, typed.reason)})
        _check_together(rows)
        sent = _in_its_place(rows, sent, "sent_at" if typed.sent_at else "sent_on")
        parcel_id = _make(db, typed, rows, sent or now, who)
        wishes = [
            Wish(Ref(Of.COPY, row["id"]), Kind.MOVE, MoveKey.HANDED_OVER, happened_at=sent,
                 reason=typed.reason, amount=parcel_id)
            for row in rows
        ]  # fmt: skip
        done = record_in(db, wishes, who, now, typed.once or None)
        ids = [row["id"] for row in rows]
        db.execute(update(copies).where(copies.c.id.in_(ids)).values(parcel_id=parcel_id))
    workshop.changed.set()
    return parcel_id, done


_ONE_ADDRESS = ("customer_id", "ship_name", "ship_lines", "ship_postcode", "ship_country")


def _check_together(rows: Sequence[RowMapping]) -> None:
    """A parcel goes to one address. Raises BadFields."""
    first = rows[0]
    for row in rows[1:]:
        if any(row[name] != first[name] for name in _ONE_ADDRESS):
            raise BadFields(
                {"copy": f"{_code(row)} goes to another address than {_code(first)}: two parcels."}
            )


def _in_its_place(rows: Sequence[RowMapping], when: int | None, name: str) -> int | None:
    """A typed time has no seconds: within the minute of what came before it is just after that.

    Raises BadFields, at the field, for a time before what happened last to one of the copies.
    """
    last = max(row["last_at"] for row in rows)
    if when is None or when >= last:
        return when
    if last - when < 60:
        return int(last)
    raise BadFields({name: "That is before the last thing that happened to a piece in it."})


def _code(row: RowMapping) -> str:
    return f"{row['order_number']}-{row['letter']}{row['number']}"


def _why_not(row: RowMapping, left: Sequence[rules.Stop], reason: str) -> str:
    code = _code(row)
    words = " ".join(stop.words for stop in left)
    if not reason.strip():
        return f"{code} may not leave yet: {words} Say why it goes all the same, or see to it."
    return f"{code} may not leave, and that is not yours to pass over: {words}"


def _make(
    db: Connection, typed: ParcelFields, rows: Sequence[RowMapping], sent: int,
    who: Person,
) -> int:  # fmt: skip
    first = rows[0]
    to = "\n".join(
        filter(None, (
            first["ship_name"] or first["customer"], first["ship_lines"],
            f"{first['ship_postcode']} {first['ship_country']}".strip(),
        ))
    )  # fmt: skip
    made = db.execute(
        insert(parcels).values(
            way=typed.way,
            carrier=typed.carrier if typed.way == "carrier" else "",
            number=typed.number,
            number_key=rules.number_key(typed.number),
            ship_to=to,
            note=typed.note,
            sent_at=sent,
            account_id=who.account_id,
        )
    ).inserted_primary_key
    assert made is not None
    return int(made[0])


def received(workshop: Workshop, parcel_id: int, when: int | None, who: Person, once: str) -> Done:
    """Everything of a parcel that is on its way has been received. `when` as typed, or now."""
    now = workshop.now()
    with workshop.database.writing() as db:
        _, inside = store.parcel(db, parcel_id)
        gone = [row for row in inside if row["step"] == Step.HANDED_OVER]
        if not gone:
            raise AlreadyMoved("It is noted as received already.")
        when = _in_its_place(gone, when, "sent_on")
        wishes = [
            Wish(
                Ref(Of.COPY, row["id"]),
                Kind.MOVE,
                MoveKey.RECEIVED,
                happened_at=when,
                amount=parcel_id,
            )
            for row in gone
        ]
        done = record_in(db, wishes, who, now, once or None)
    workshop.changed.set()
    return done


def change_number(
    workshop: Workshop, parcel_id: int, carrier: str, number: str, who: Person
) -> None:
    """Put a parcel's carrier and number right; the page follows.

    Raises BadFields where the carrier of a parcel that went with one is not named.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        row, inside = store.parcel(db, parcel_id)
        if row["way"] == "carrier" and not carrier:
            raise BadFields({"carrier": "Which carrier?"})
        db.execute(
            update(parcels)
            .where(parcels.c.id == parcel_id)
            .values(carrier=carrier, number=number, number_key=rules.number_key(number))
        )
        order_ids = {copy["order_id"] for copy in inside}
        for order_id in order_ids:
            db.execute(
                insert(changes).values(
                    at=now, account_id=who.account_id, of="parcels", of_id=parcel_id,
                    order_id=order_id, field="number", before=f"{row['carrier']} {row['number']}",
                    after=f"{carrier} {number}",
                )
            )  # fmt: skip
        mark_stale(db, order_ids)
    workshop.changed.set()


def confirm(workshop: Workshop, order_id: int, what: str, copy_id: int | None, who: Person) -> None:
    """The customer has confirmed an address, or a copy's spelling. Raises NotFound."""
    now = workshop.now()
    with workshop.database.writing() as db:
        if what == "address":
            db.execute(
                update(orders).where(orders.c.id == order_id).values(address_confirmed_at=now)
            )
        else:
            known = db.execute(
                select(copies.c.id).where(copies.c.id == copy_id, copies.c.order_id == order_id)
            ).first()
            if known is None:
                raise NotFound("That piece is not of this order.")
            db.execute(
                update(copies).where(copies.c.id == copy_id).values(spelling_confirmed_at=now)
            )
        db.execute(
            insert(changes).values(
                at=now, account_id=who.account_id, of="orders" if what == "address" else "copies",
                of_id=order_id if what == "address" else copy_id, order_id=order_id,
                field=f"{what} confirmed", before="", after="by the customer",
            )
        )  # fmt: skip
        mark_stale(db, [order_id])
    workshop.changed.set()
