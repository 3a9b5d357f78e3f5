"""What the desk does to an order: tell, hold, cancel, edit, replace its link."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from typing import Any, Literal

from sqlalchemy import Connection, insert, select

from app.flow import store
from app.flow.changes import change_in, note
from app.flow.rules import Kind
from app.flow.steps import MoveKey, Of, Step
from app.flow.store import Piece, Ref, mark_stale
from app.moving.effects import MoveDetails
from app.moving.perform import Seen, perform_in
from app.orders.facts.ranges import TOLD_BY_A_PERSON, Shown
from app.orders.facts.told import tell
from app.orders.order import links
from app.shared.errors import AlreadyMoved, BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.web.fields import Asker, Channel, Day, Fields, Line, Reason, Words
from app.studio.workshop import Workshop
from app.tables import contacts, copies, order_animals, orders


class ContactFields(Fields):
    """A word with the customer; with a range where one was told."""

    channel: Channel = "phone"
    asked: Words
    told: Words
    from_day: Day
    to_day: Day


class StopFields(Fields):
    """A hold or a cancellation: why, on whose account, when to look again."""

    reason: Reason
    whose: Literal["customer", "studio", "supplier"]
    look_on: Day
    about: Line


class CancelFields(StopFields):
    """A cancellation: a stop that somebody asked for; empty where nobody says who."""

    asked_by: Asker | Literal[""] = ""


def open_pieces(db: Connection, order_id: int, ref: Ref | None) -> list[Piece]:
    """The open pieces that a question, hold or cancellation concerns.

    An order's are all; a model's are all of its animal: the other versions of it, and the copies.
    Raises NotFound for a piece of another order, Refused where nothing is open any more.
    """
    pieces = store.pieces_of_order(db, order_id)
    if ref is not None:
        named = next((piece for piece in pieces if piece.ref == ref), None)
        if named is None:
            raise NotFound("That piece does not belong to this order.")
        whole = ref.of is Of.MODEL
        pieces = [
            piece
            for piece in pieces
            if piece.ref == ref or (whole and named.letter in (piece.letter, *piece.beside))
        ]
    pieces = [piece for piece in pieces if piece.state.open]
    if not pieces:
        raise Refused("This order is closed.")
    return pieces


def note_contact(
    workshop: Workshop, order_id: int, typed: ContactFields, who: Person, shown: Shown | None = None
) -> None:
    """Note a word with the customer, and the range if one was told: as typed, or as `shown`.

    Raises BadFields where nothing was said, or the range runs backwards or into the past, and
    AlreadyMoved where the same was noted a moment ago.
    """
    now = workshop.now()
    _check_told(typed, workshop.in_force().calendar.day_of(now))
    with workshop.database.writing() as db:
        if _noted_before(db, order_id, typed, now):
            raise AlreadyMoved("That is already noted.")
        mine = select(orders.c.customer_id).where(orders.c.id == order_id)
        db.execute(
            insert(contacts).values(
                customer_id=mine.scalar_subquery(),
                order_id=order_id,
                at=now,
                account_id=who.account_id,
                channel=typed.channel,
                asked=typed.asked,
                told=typed.told,
            )
        )
        if shown is None and typed.from_day is not None:
            shown = Shown(typed.from_day, typed.to_day, None, TOLD_BY_A_PERSON)
        if shown is not None and shown.from_day is not None:
            tell(db, order_id, shown, channel=typed.channel, account_id=who.account_id, now=now)
        mark_stale(db, [order_id])
    workshop.changed.set()


def _noted_before(db: Connection, order_id: int, typed: ContactFields, now: int) -> bool:
    """Whether the same words were noted a moment ago: a double tap."""
    query = select(contacts.c.id).where(
        contacts.c.order_id == order_id,
        contacts.c.asked == typed.asked,
        contacts.c.told == typed.told,
        contacts.c.at > now - 60,
    )
    return db.execute(query).first() is not None


def _check_told(typed: ContactFields, today: date) -> None:
    if not typed.asked and not typed.told:
        raise BadFields({"told": "Enter what was asked or what was said."})
    if (typed.from_day is None) != (typed.to_day is None):
        name = "from_day" if typed.from_day is None else "to_day"
        raise BadFields({name: "Enter both days."})
    if typed.from_day is not None and typed.to_day is not None:
        if typed.to_day <= typed.from_day:
            raise BadFields({"to_day": "The second day must be after the first."})
        if typed.from_day < today:
            raise BadFields({"from_day": "That is past already."})


def hold(workshop: Workshop, order_id: int, typed: StopFields, who: Person, once: str) -> None:
    """Put an order, an animal or a piece on hold. What is held already stays as it is."""
    look = typed.look_on.isoformat() if typed.look_on else None
    said = MoveDetails(reason=typed.reason, whose=typed.whose, look_on=look)
    with _moving(workshop, order_id, typed.about) as (db, pieces):
        free = [piece for piece in pieces if not piece.state.held]
        _move(db, workshop, free, Kind.HOLD, said, who, once)


def lift(workshop: Workshop, order_id: int, about: str, who: Person, once: str) -> None:
    """Lift every hold of an order, an animal or a piece."""
    with _moving(workshop, order_id, about) as (db, pieces):
        held = [piece for piece in pieces if piece.state.held]
        _move(db, workshop, held, Kind.LIFT, MoveDetails(), who, once)


def cancel(workshop: Workshop, order_id: int, typed: CancelFields, who: Person, once: str) -> None:
    """Cancel an order, an animal or a piece: an end of its own kind, with its reason.

    Copies go before the models that they wait for; a piece that has left the house stays.
    """
    said = MoveDetails(reason=typed.reason, whose=typed.whose, asked_by=typed.asked_by)
    with _moving(workshop, order_id, typed.about) as (db, pieces):
        _check_nobody_waits(db, order_id, pieces)
        here = [piece for piece in pieces if piece.state.step is not Step.HANDED_OVER]
        here.sort(key=lambda piece: piece.ref.of is Of.MODEL)
        _move(db, workshop, here, MoveKey.CANCEL, said, who, once)


def _check_nobody_waits(db: Connection, order_id: int, pieces: Iterable[Piece]) -> None:
    """A model that another order waits for is not cancelled under it. Raises Refused."""
    ids = [piece.ref.id for piece in pieces if piece.ref.of is Of.MODEL]
    query = (
        select(orders.c.number)
        .join(copies, copies.c.order_id == orders.c.id)
        .where(copies.c.model_id.in_(ids), copies.c.open == 1, orders.c.id != order_id)
    )
    waiting = db.execute(query.limit(1)).scalar()
    if waiting is not None:
        raise Refused(f"Order {waiting} is waiting for the same model. Cancel only the copies.")


@contextmanager
def _moving(
    workshop: Workshop, order_id: int, about: str
) -> Iterator[tuple[Connection, list[Piece]]]:
    """A writing transaction with the open pieces that an act concerns."""
    with workshop.database.writing() as db:
        ref = None if about in ("", "order") else Ref.read(about)
        yield db, open_pieces(db, order_id, ref)
    workshop.changed.set()


def _move(
    db: Connection,
    workshop: Workshop,
    pieces: Sequence[Piece],
    what: MoveKey | Kind,
    said: MoveDetails,
    who: Person,
    once: str,
) -> None:
    if not pieces:
        raise AlreadyMoved("That is done already.")
    perform_in(db, workshop, [Seen(piece.ref) for piece in pieces], what, said, who, once)


def set_ship_part(workshop: Workshop, order_id: int, on: bool, who: Person) -> None:
    """Let the part of the order that is ready leave now, or wait for the rest again."""
    change(workshop, "orders", order_id, order_id, {"ship_part": int(on)}, who)


def set_deadline(workshop: Workshop, order_id: int, day: date, who: Person) -> None:
    """Move the day until which copies may still join. Raises BadFields for a day that is past."""
    if day < workshop.in_force().calendar.day_of(workshop.now()):
        raise BadFields({"copy_deadline": "That day is past."})
    change(workshop, "orders", order_id, order_id, {"copy_deadline": day.isoformat()}, who)


def replace_link(workshop: Workshop, order_id: int, who: Person) -> None:
    """Revoke every link of an order and make a new one."""
    now = workshop.now()
    with workshop.database.writing() as db:
        links.revoke(db, order_id, now)
        links.make(db, workshop.folder.key, order_id, who.account_id, now)
        _note_link(db, order_id, who, now, "replaced")
    workshop.changed.set()


def revoke_link(workshop: Workshop, order_id: int, who: Person) -> None:
    """Revoke every link of an order."""
    now = workshop.now()
    with workshop.database.writing() as db:
        links.revoke(db, order_id, now)
        _note_link(db, order_id, who, now, "revoked")
    workshop.changed.set()


def _note_link(db: Connection, order_id: int, who: Person, now: int, after: str) -> None:
    note(
        db, who.account_id, now, "orders", "status link", "", after,
        of_id=order_id, order_id=order_id,
    )  # fmt: skip


_TABLES = {"orders": orders, "copies": copies}


def change(
    workshop: Workshop, table: str, row_id: int, order_id: int, new: Mapping[str, Any], who: Person
) -> None:
    """Change fields of an order or a copy, and keep who changed what, and when."""
    now = workshop.now()
    with workshop.database.writing() as db:
        change_in(db, _TABLES[table], row_id, order_id, new, who, now)
        mark_stale(db, [order_id])
    workshop.changed.set()


def animal_changed(db: Connection, animal_id: int) -> None:
    """The pages and forecasts of the animal's open orders lag behind from here on."""
    mark_stale(
        db,
        db.execute(
            select(order_animals.c.order_id)
            .join(orders, orders.c.id == order_animals.c.order_id)
            .where(order_animals.c.animal_id == animal_id, orders.c.open == 1)
        ).scalars(),
    )
