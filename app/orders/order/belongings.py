"""What customers lent for an order: received, where it lies, given back."""

from datetime import date, time
from typing import Annotated, Any, Literal

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.exc import IntegrityError

from app.flow.after.belongings import KINDS
from app.flow.changes import change_in, note
from app.flow.store import mark_stale, settle_open
from app.shared.errors import AlreadyMoved, BadFields, NotFound
from app.shared.people import Person
from app.shared.web.fields import Day, Fields, Line, among
from app.studio.typed import typed_moment
from app.studio.workshop import Workshop
from app.tables import belongings, order_animals

WAYS = {"parcel": "in the parcel", "hand": "from hand to hand"}
SENT = {"hand": "from hand to hand", "post": "by post, alone"}


class BelongingFields(Fields):
    """Something that a customer lent. `whose` is a letter of the order's animals, or empty."""

    kind: Annotated[str, among(KINDS)]
    what: Line
    whose: Line
    shelf: Line
    received_on: Day
    way: Literal["parcel", "hand"] = "parcel"


class PlaceFields(Fields):
    """Where it lies now, what it is, and how it goes back."""

    what: Line
    shelf: Line
    way: Literal["parcel", "hand"] = "parcel"


class ReturnFields(Fields):
    """That it was given back, not in a parcel with pieces."""

    returned_on: Day
    sent: Literal["hand", "post"] = "hand"


def receive(
    workshop: Workshop, order_id: int, typed: BelongingFields, who: Person, once: str
) -> None:
    """Note something that came into the house; until it goes back the order stays open.

    Raises BadFields for what has no place or no name, AlreadyMoved for a form that was sent twice.
    """
    _check_place(typed.kind, typed.what, typed.shelf)
    received = _moment(workshop, typed.received_on, "received_on")
    with workshop.database.writing() as db:
        line = _line_of(db, order_id, typed.whose)
        values = {
            "order_id": order_id, "order_animal_id": line, "kind": typed.kind, "what": typed.what,
            "shelf": typed.shelf, "way": typed.way, "received_at": received,
            "received_by_id": who.account_id, "once": once or None,
        }  # fmt: skip
        try:
            made = db.execute(insert(belongings).values(values)).inserted_primary_key
        except IntegrityError:
            raise AlreadyMoved("That is already noted.") from None
        assert made is not None
        _kept(db, order_id, int(made[0]), "received", f"{KINDS[typed.kind]} {typed.what}", who,
              workshop.now())  # fmt: skip
    workshop.changed.set()


def _check_place(kind: str, what: str, shelf: str) -> None:
    wrong = {}
    if kind == "other" and not what:
        wrong["what"] = "What is it? The customer reads these words."
    if not shelf:
        wrong["shelf"] = "Where does it lie? Losing it would be worse than losing a piece."
    if wrong:
        raise BadFields(wrong)


def _line_of(db: Connection, order_id: int, letter: str) -> int | None:
    if not letter:
        return None
    its = (order_animals.c.order_id == order_id) & (order_animals.c.letter == letter)
    found = db.execute(select(order_animals.c.id).where(its)).scalar()
    if found is None:
        raise BadFields({"whose": "That animal does not belong to this order."})
    return int(found)


def _moment(workshop: Workshop, day: date | None, field: str) -> int:
    """A typed day as a moment of it, none as now. Raises BadFields for the future."""
    now, in_force = workshop.now(), workshop.in_force()
    today = in_force.calendar.day_of(now)
    if day is None or day == today:
        return now
    if day > today:
        raise BadFields({field: "That is in the future. A day up to today."})
    moment = typed_moment(in_force, day, "", field, today, time(12))
    assert moment is not None
    return moment


def keep(
    workshop: Workshop, order_id: int, belonging: int, typed: PlaceFields, who: Person
) -> None:
    """It lies elsewhere now, is described otherwise, or goes back another way."""
    with workshop.database.writing() as db:
        row = _one(db, order_id, belonging)
        _check_place(row.kind, typed.what, typed.shelf)
        _is_here(row)
        new = {"what": typed.what, "shelf": typed.shelf, "way": typed.way}
        change_in(db, belongings, belonging, order_id, new, who, workshop.now())
        mark_stale(db, [order_id])
    workshop.changed.set()


def returned(
    workshop: Workshop, order_id: int, belonging: int, typed: ReturnFields, who: Person
) -> None:
    """It was given back from hand to hand, or posted alone.

    Raises BadFields for a day before it came.
    """
    at = _moment(workshop, typed.returned_on, "returned_on")
    with workshop.database.writing() as db:
        row = _one(db, order_id, belonging)
        _is_here(row)
        day_of = workshop.in_force().calendar.day_of
        if day_of(at) < day_of(row.received_at):
            raise BadFields({"returned_on": "That is before it came to us."})
        values = {
            "returned_at": max(at, row.received_at), "returned_by_id": who.account_id,
            "way": typed.sent, "parcel_id": None,
        }  # fmt: skip
        _write(db, belonging, values)
        _kept(db, order_id, belonging, "returned", SENT[typed.sent], who, workshop.now())
    workshop.changed.set()


def back_here(workshop: Workshop, order_id: int, belonging: int, who: Person) -> None:
    """It was not given back after all. Raises AlreadyMoved where it lies here."""
    with workshop.database.writing() as db:
        row = _one(db, order_id, belonging)
        if row.returned_at is None:
            raise AlreadyMoved("It is noted as here already.")
        way = "parcel" if row.way == "parcel" else "hand"
        values = {"returned_at": None, "returned_by_id": None, "parcel_id": None, "way": way}
        _write(db, belonging, values)
        _kept(db, order_id, belonging, "here after all", "", who, workshop.now())
    workshop.changed.set()


def strike(workshop: Workshop, order_id: int, belonging: int, who: Person) -> None:
    """It was noted by mistake: it was never here."""
    with workshop.database.writing() as db:
        _is_here(_one(db, order_id, belonging))
        _write(db, belonging, {"gone_at": workshop.now()})
        _kept(db, order_id, belonging, "noted by mistake", "", who, workshop.now())
    workshop.changed.set()


def _write(db: Connection, belonging: int, values: dict[str, Any]) -> None:
    db.execute(update(belongings).where(belongings.c.id == belonging).values(**values))


def _kept(
    db: Connection, order_id: int, belonging: int, field: str, after: str, who: Person, now: int
) -> None:
    """Whatever becomes of a belonging stays readable, and settles whether its order is open."""
    note(
        db, who.account_id, now, "belongings", field, None, after.strip(),
        of_id=belonging, order_id=order_id,
    )  # fmt: skip
    settle_open(db, [order_id])
    mark_stale(db, [order_id])


def _is_here(row: Any) -> None:
    if row.returned_at is not None:
        raise AlreadyMoved("It is noted as given back already.")


def _one(db: Connection, order_id: int, belonging: int) -> Any:
    """A belonging of an order that was not struck out. Raises NotFound."""
    b = belongings.c
    its = (b.id == belonging) & (b.order_id == order_id) & b.gone_at.is_(None)
    row = db.execute(select(belongings).where(its)).first()
    if row is None:
        raise NotFound("There is no such belonging.")
    return row
