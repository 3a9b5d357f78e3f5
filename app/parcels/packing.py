"""Packing: a parcel is begun, pieces go in and come out, and it is sealed until it leaves."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import AfterValidator
from sqlalchemy import Connection, insert, select, update
from sqlalchemy.engine import RowMapping

from app.flow.after import belongings
from app.flow.questions import IN_PARTS
from app.flow.steps import STEPS, Step
from app.moving.parcels import address, around, check_together, code, lying, rows_of, stops
from app.moving.rules import not_in_it, refused
from app.orders.order import asking
from app.orders.order.asking import QuestionFields
from app.parcels import rules, store
from app.shared.errors import AlreadyMoved, BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.web.fields import Fields, Line, Number, Tick, Words
from app.shared.web.words import count, listed
from app.studio.workshop import Workshop
from app.tables import copies, packed_pieces, parcels


def _believable(value: int | None) -> int | None:
    if value is not None and not 5 <= value <= 2_000:
        raise ValueError("Whole millimetres from 5 to 2000, please.")
    return value


Side = Annotated[Number, AfterValidator(_believable)]


class MeasureFields(Fields):
    """What the packer says of a piece: its sides with the base, and that all of it is in."""

    length: Side = None
    width: Side = None
    height: Side = None
    mounted: Tick


class SealFields(Fields):
    """How a parcel was packed."""

    inner: Line
    outer: Line
    care_card: Tick
    without: Tick
    note: Words


@dataclass(frozen=True, slots=True)
class Sealing:
    """What is said of a parcel and, by copy, of each piece in it; the belongings `lent` are in."""

    parcel: SealFields
    pieces: Mapping[int, MeasureFields]
    lent: Sequence[int] = ()


def begin(workshop: Workshop, ids: Sequence[int], reason: str, who: Person) -> int:
    """Begin a parcel with the copies that go in first; gives its id.

    Raises BadFields where nothing is ticked, or where one of them may not go in.
    """
    if not ids:
        raise BadFields({"copy": "Tick what goes into the parcel."})
    now = workshop.now()
    with workshop.database.writing() as db:
        rows = rows_of(db, ids)
        made = db.execute(
            insert(parcels).values(
                begun_at=now, ship_to=address(rows[0]), note=rows[0]["parcel_note"]
            )
        ).inserted_primary_key
        assert made is not None
        _put(db, int(made[0]), rows, reason, who, now)
    return int(made[0])


def put_in(workshop: Workshop, parcel_id: int, typed: str, reason: str, who: Person) -> RowMapping:
    """Put the piece of a typed or scanned code into a parcel; gives its row.

    Raises BadFields, at `code`, where it may not go in, and AlreadyMoved where the parcel is
    sealed or has left.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        _being_packed(db, parcel_id)
        row = rows_of(db, [_copy_of(db, typed)])[0]
        try:
            _put(db, parcel_id, [row], reason, who, now)
        except BadFields as why:
            fields = {"code" if name == "copy" else name: said for name, said in why.fields.items()}
            raise BadFields(fields) from None
    return row


def _copy_of(db: Connection, typed: str) -> int:
    found = rules.read_code(typed)
    if found is None:
        raise BadFields({"code": "Scan a job ticket, or type a code like 1147-A2."})
    if isinstance(found, int):
        return found
    try:
        return store.copy_named(db, *found)
    except NotFound:
        raise BadFields({"code": "There is no piece of that code."}) from None


def _put(
    db: Connection, parcel_id: int, rows: Sequence[RowMapping], reason: str, who: Person, now: int
) -> None:
    """Put copies into a parcel. Raises BadFields, at `copy` or `reason`, with why not."""
    inside = lying(db, parcels.c.id == parcel_id)
    for row in rows:
        if row["step"] != Step.PACKING or not row["open"]:
            place = STEPS[Step(row["step"])].name
            why = f"{code(row)} stands at {place}. Only what has passed inspection is packed."
            raise BadFields({"copy": why})
    check_together([*rows_of(db, list(inside)[:1]), *rows])
    lies = lying(db, copies.c.id.in_([row["id"] for row in rows]))
    beside = around(db, {row["order_id"] for row in rows})
    for row in rows:
        if (other := lies.get(row["id"])) is not None:
            where = "this parcel" if other == parcel_id else f"parcel {other}"
            raise BadFields({"copy": f"{code(row)} lies in {where} already."})
        found = rules.against_wrapping(stops(row, beside, now))
        if left := refused(found, who.role, reason):
            raise BadFields(_not_wrapped(row, [stop.words for stop in left]))
    db.execute(
        insert(packed_pieces),
        [
            {
                "parcel_id": parcel_id, "copy_id": row["id"], "put_at": now,
                "account_id": who.account_id, "mounted": 0, "reason": reason,
            }
            for row in rows
        ],
    )  # fmt: skip


def _not_wrapped(row: RowMapping, why: Sequence[str]) -> dict[str, str]:
    said = f"{code(row)} may not be wrapped yet: {' '.join(why)}"
    return {"copy": said, "reason": "Wait for it, or give a reason for wrapping it all the same."}


def take_out(workshop: Workshop, parcel_id: int, copy_id: int, who: Person) -> None:
    """Take a copy out of a parcel again. Raises AlreadyMoved where it does not lie in it."""
    now = workshop.now()
    c = packed_pieces.c
    with workshop.database.writing() as db:
        _being_packed(db, parcel_id)
        own = (c.parcel_id == parcel_id) & (c.copy_id == copy_id) & c.out_at.is_(None)
        done = db.execute(update(packed_pieces).where(own).values(out_at=now))
        if not done.rowcount:
            raise AlreadyMoved("It does not lie in that parcel any more.")
        _lay(db, parcel_id, belongings.lying_in(db, parcel_id))


def measure(workshop: Workshop, parcel_id: int, said: Sealing) -> None:
    """Keep what is said of a parcel that is being packed. Raises AlreadyMoved."""
    with workshop.database.writing() as db:
        _being_packed(db, parcel_id)
        _keep(db, parcel_id, said)


def seal(workshop: Workshop, parcel_id: int, said: Sealing, who: Person) -> None:
    """Close a parcel: from now on nothing goes in, and it may be handed over.

    Raises BadFields where it is empty, where what belongs to a piece is not ticked, and where a
    thing of the customer's is not in it and nobody said that it stays.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        _being_packed(db, parcel_id)
        _, inside = store.parcel(db, parcel_id)
        if not inside:
            raise BadFields({"code": "Nothing lies in it yet. Put a piece in first."})
        parts = store.parts_of(db, inside)
        wrong = {
            f"mounted-{row['id']}": f"Look whether all that belongs to {code(row)} is in: tick it."
            for row in inside
            if more_than_a_figure(row, parts.get(row["id"], ()))
            and not (row["id"] in said.pieces and said.pieces[row["id"]].mounted)
        }
        left = _left_behind(db, parcel_id, inside, said)
        if left and not said.parcel.without:
            wrong["without"] = f"{not_in_it(left)} Or tick that it stays here."
        if wrong:
            raise BadFields(wrong)
        check_together(inside)
        _keep(db, parcel_id, said)
        values = {"sealed_at": now, "packed_by_id": who.account_id, "ship_to": address(inside[0])}
        db.execute(update(parcels).where(parcels.c.id == parcel_id).values(**values))
    workshop.changed.set()


def _left_behind(
    db: Connection, parcel_id: int, inside: Sequence[RowMapping], said: Sealing
) -> list[str]:
    """What of the customer's goes back by parcel and lies neither in this one nor in another."""
    here = belongings.here(db, {row["order_id"] for row in inside})
    return [
        belongings.named(row)
        for rows in here.values()
        for row in rows
        if belongings.to_go_in(row, parcel_id) and row["id"] not in said.lent
    ]


def more_than_a_figure(row: RowMapping, parts: Sequence[str]) -> bool:
    """Whether something belongs to a copy that could be left lying: a base, a plate, extras."""
    return bool(parts or row["extras"] or row["base"] not in ("", "none"))


def _keep(db: Connection, parcel_id: int, said: Sealing) -> None:
    c = packed_pieces.c
    values: dict[str, Any] = {
        "inner_box": said.parcel.inner or None,
        "outer_box": said.parcel.outer or None,
        "care_card": int(said.parcel.care_card),
        "note": said.parcel.note,
    }
    db.execute(update(parcels).where(parcels.c.id == parcel_id).values(**values))
    _lay(db, parcel_id, said.lent)
    for copy_id, one in said.pieces.items():
        own = (c.parcel_id == parcel_id) & (c.copy_id == copy_id) & c.out_at.is_(None)
        values = {
            "length_mm": one.length, "width_mm": one.width, "height_mm": one.height,
            "mounted": int(one.mounted),
        }  # fmt: skip
        db.execute(update(packed_pieces).where(own).values(**values))


def open_again(workshop: Workshop, parcel_id: int) -> None:
    """A sealed parcel that is here is being packed again. Raises AlreadyMoved where it has left."""
    with workshop.database.writing() as db:
        row = _here(db, parcel_id)
        if row["sealed_at"] is None:
            raise AlreadyMoved("It is open already.")
        own = update(parcels).where(parcels.c.id == parcel_id)
        db.execute(own.values(sealed_at=None, packed_by_id=None))


def not_needed(workshop: Workshop, parcel_id: int) -> None:
    """An empty parcel is not made after all. Raises Refused where something lies in it."""
    now = workshop.now()
    with workshop.database.writing() as db:
        _here(db, parcel_id)
        if lying(db, parcels.c.id == parcel_id):
            raise Refused("Something lies in it. Take that out first.")
        _lay(db, parcel_id, ())
        own = update(parcels).where(parcels.c.id == parcel_id)
        db.execute(own.values(taken_back_at=now))


def _lay(db: Connection, parcel_id: int, lent: Sequence[int]) -> None:
    """What the customer lent goes with a piece of its order, or not at all."""
    _, inside = store.parcel(db, parcel_id)
    belongings.put_in(db, parcel_id, lent, {copy["order_id"] for copy in inside})


def _here(db: Connection, parcel_id: int) -> RowMapping:
    row = db.execute(select(parcels).where(parcels.c.id == parcel_id)).mappings().first()
    if row is None:
        raise NotFound("There is no such parcel.")
    if row["sent_at"] is not None:
        raise AlreadyMoved("It has left already.")
    if row["taken_back_at"] is not None:
        raise AlreadyMoved("That parcel was not needed. Begin another one.")
    return row


def _being_packed(db: Connection, parcel_id: int) -> None:
    if _here(db, parcel_id)["sealed_at"] is not None:
        raise AlreadyMoved("It is sealed. Open it again first.")


def ask_in_parts(workshop: Workshop, order_id: int, who: Person) -> None:
    """Ask the customer by letter whether what is ready may go ahead of the rest.

    Raises Refused where nothing waits for the rest of its order, or they have been asked.
    """
    with workshop.database.reading() as db:
        ready = [p for p in store.packed(db, workshop.now()) if p.row["order_id"] == order_id]
        waiting = [p for p in ready if any(stop.code == rules.REST for stop in p.stops)]
        rest = store.rest(db, [order_id], IN_PARTS)[order_id]
    if not waiting or not rest.making:
        raise Refused("Nothing of that order waits for the rest of it any more.")
    if rest.asked_at is not None:
        raise AlreadyMoved("The customer has been asked already.")
    names = list(dict.fromkeys(piece.row["animal"] for piece in waiting))
    asked = rules.in_parts_question(
        listed(names), len(names), count(len(rest.making), "more", "more")
    )
    fields = QuestionFields(topic=IN_PARTS, asked=asked, about="order", channel="letter")
    asking.ask(workshop, order_id, fields, who, "")
