"""Packed copies, parcels that are here, and parcels that have left."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, func, or_, select
from sqlalchemy.engine import RowMapping

from app.flow.legality import UNDO_WITHIN
from app.flow.steps import MoveKey, Step
from app.moving.parcels import COPY, LIES, around, code, lying, stops
from app.moving.rules import Stop
from app.shared.errors import NotFound
from app.tables import (
    copies,
    orders,
    packed_pieces,
    parcel_pictures,
    parcels,
    parts,
    questions,
    transitions,
)


@dataclass(frozen=True, slots=True)
class Packed:
    """A copy at packing, with every reason why it may not leave, and the parcel it lies in.

    `animals` stand on its base.
    """

    row: RowMapping
    stops: list[Stop]
    parcel_id: int | None = None
    animals: int = 1

    @property
    def code(self) -> str:
        """Its code on the ticket."""
        return code(self.row)


def packed(db: Connection, now: int, *, customer_id: int | None = None) -> list[Packed]:
    """Copies at packing, of one customer or of all, oldest order first."""
    query = COPY.where(copies.c.step == str(Step.PACKING), copies.c.open == 1)
    if customer_id is not None:
        query = query.where(orders.c.customer_id == customer_id)
    ordered = query.order_by(orders.c.number, copies.c.letter, copies.c.number)
    rows = db.execute(ordered).mappings().all()
    return _judged(db, rows, now)


def _judged(db: Connection, rows: Sequence[RowMapping], now: int) -> list[Packed]:
    beside = around(db, {row["order_id"] for row in rows})
    lies = lying(db, parcels.c.sent_at.is_(None))
    return [
        Packed(
            row, stops(row, beside, now), lies.get(row["id"]),
            1 + len(beside.beside.get(row["id"], ())),
        )
        for row in rows
    ]  # fmt: skip


# ---------------------------------------------------------------- one parcel


def parcel(db: Connection, parcel_id: int) -> tuple[RowMapping, Sequence[RowMapping]]:
    """A parcel and the copies in it. Raises NotFound."""
    row = db.execute(select(parcels).where(parcels.c.id == parcel_id)).mappings().first()
    if row is None:
        raise NotFound("There is no such parcel.")
    inside = COPY.where(copies.c.parcel_id == parcel_id)
    if row["sent_at"] is None:
        inside = (
            COPY.join(packed_pieces, packed_pieces.c.copy_id == copies.c.id)
            .join(parcels, parcels.c.id == packed_pieces.c.parcel_id)
            .where(*LIES, parcels.c.id == parcel_id)
            .order_by(packed_pieces.c.id)
        )
    return row, db.execute(inside).mappings().all()


@dataclass(frozen=True, slots=True)
class Contents:
    """A parcel with what lies in it: each copy as it is packed, the parts on it, its measures.

    `fell_out` are copies that were put in and stand elsewhere now.
    """

    row: RowMapping
    pieces: Sequence[Packed]
    notes: Mapping[int, RowMapping]
    parts: Mapping[int, Sequence[str]]
    fell_out: Sequence[RowMapping] = ()


def contents(db: Connection, parcel_id: int, now: int) -> Contents:
    """A parcel with all that its page shows of what lies in it. Raises NotFound."""
    row, inside = parcel(db, parcel_id)
    query = select(packed_pieces).where(
        packed_pieces.c.parcel_id == parcel_id, packed_pieces.c.out_at.is_(None)
    )
    notes = {note["copy_id"]: note for note in db.execute(query).mappings()}
    out = set(notes) - {copy["id"] for copy in inside}
    fell_out = db.execute(COPY.where(copies.c.id.in_(out))).mappings().all() if out else ()
    pieces = _judged(db, inside, now) if row["sent_at"] is None else [Packed(c, []) for c in inside]
    return Contents(row, pieces, notes, parts_of(db, inside), fell_out)


def parts_of(db: Connection, rows: Sequence[RowMapping]) -> Mapping[int, Sequence[str]]:
    """What was ordered for copies and is here, in words: a plate, a dome."""
    query = select(parts.c.order_id, parts.c.copy_id, parts.c.kind, parts.c.what).where(
        parts.c.order_id.in_({row["order_id"] for row in rows}),
        parts.c.gone_at.is_(None),
        parts.c.here_at.is_not(None),
    )
    found: dict[int, list[str]] = {}
    for part in db.execute(query):
        for row in rows:
            own = part.copy_id == row["id"] if part.copy_id else part.order_id == row["order_id"]
            if own:
                said = f"{part.kind}, {part.what}" if part.what else part.kind
                found.setdefault(row["id"], []).append(said)
    return found


def copy_named(db: Connection, number: int, letter: str, copy_number: int) -> int:
    """The copy that has a code now, whichever making it is. Raises NotFound."""
    query = (
        select(copies.c.id)
        .join(orders, orders.c.id == copies.c.order_id)
        .where(
            orders.c.number == number, copies.c.letter == letter, copies.c.number == copy_number,
            copies.c.withdrawn == 0,
        )
        .order_by(copies.c.making.desc())
    )  # fmt: skip
    found: int | None = db.execute(query).scalar()
    if found is None:
        raise NotFound("There is no piece of that code.")
    return found


def undoable(db: Connection, inside: Sequence[RowMapping], now: int) -> int | None:
    """The act by which what is in a parcel left or arrived, where it can still be undone."""
    if not inside:
        return None
    query = (
        select(transitions.c.id, transitions.c.move, transitions.c.recorded_at)
        .where(transitions.c.copy_id == inside[0]["id"])
        .order_by(transitions.c.seq.desc())
    )
    last = db.execute(query).first()
    if last is None or last.move not in (MoveKey.HANDED_OVER, MoveKey.RECEIVED):
        return None
    return int(last.id) if now - last.recorded_at <= UNDO_WITHIN else None


def pictures(db: Connection, parcel_id: int) -> Sequence[RowMapping]:
    """The pictures of how a parcel was packed, oldest first."""
    own = parcel_pictures.c.parcel_id == parcel_id
    query = select(parcel_pictures).where(own).order_by(parcel_pictures.c.id)
    return db.execute(query).mappings().all()


# ---------------------------------------------------------------- all parcels


def here(db: Connection) -> list[RowMapping]:
    """Parcels that have not left, being packed or sealed, oldest first."""
    c = parcels.c
    query = select(parcels).where(c.sent_at.is_(None), c.taken_back_at.is_(None)).order_by(c.id)
    return list(db.execute(query).mappings())


def of_list(db: Connection, ids: Collection[int], since: int) -> list[dict[str, Any]]:
    """Parcels for a hand-over list: those named, or all that are sealed or left since a moment.

    Each with the codes of what is in it.
    """
    c = parcels.c
    today = or_(c.sealed_at.is_not(None) & c.sent_at.is_(None), c.sent_at >= since)
    which = c.id.in_(ids) if ids else today
    found = db.execute(
        select(parcels).where(which, c.taken_back_at.is_(None)).order_by(c.carrier, c.id)
    )
    rows = [dict(row) for row in found.mappings()]
    left = COPY.where(copies.c.parcel_id.in_([row["id"] for row in rows if row["sent_at"]]))
    codes: dict[int, list[str]] = {}
    for copy in db.execute(left).mappings():
        codes.setdefault(copy["parcel_id"], []).append(code(copy))
    lies = lying(db, c.id.in_([row["id"] for row in rows if not row["sent_at"]]))
    for copy in db.execute(COPY.where(copies.c.id.in_(lies))).mappings() if lies else ():
        codes.setdefault(lies[copy["id"]], []).append(code(copy))
    return [{**row, "codes": sorted(codes.get(row["id"], []))} for row in rows]


def on_the_way(db: Connection) -> list[dict[str, Any]]:
    """Parcels of which something is still on its way, oldest first."""
    query = (
        select(parcels, func.count().label("pieces"), func.min(orders.c.number).label("order"))
        .join(copies, copies.c.parcel_id == parcels.c.id)
        .join(orders, orders.c.id == copies.c.order_id)
        .where(copies.c.step == str(Step.HANDED_OVER), copies.c.open == 1)
        .group_by(parcels.c.id)
        .order_by(parcels.c.sent_at)
    )
    return [dict(row) for row in db.execute(query).mappings()]


# ---------------------------------------------------------------- the rest of an order


@dataclass(slots=True)
class Rest:
    """What of an order is still being made, and whether the customer was asked to wait for it."""

    making: list[tuple[str, str]] = field(default_factory=list)
    asked_at: int | None = None


def rest(db: Connection, order_ids: Iterable[int], topic: str) -> Mapping[int, Rest]:
    """The rest of orders: code and step of each copy that is still being made, by order."""
    wanted = set(order_ids)
    found = {order_id: Rest() for order_id in wanted}
    done = [Step.PACKING, Step.HANDED_OVER, Step.RECEIVED, Step.REPLACED, Step.CANCELLED]
    making = (
        select(
            copies.c.order_id, copies.c.letter, copies.c.number, copies.c.step,
            orders.c.number.label("order_number"),
        )
        .join(orders, orders.c.id == copies.c.order_id)
        .where(
            copies.c.order_id.in_(wanted), copies.c.withdrawn == 0,
            copies.c.step.not_in([str(step) for step in done]),
        )
        .order_by(copies.c.letter, copies.c.number)
    )  # fmt: skip
    for row in db.execute(making).mappings():
        found[row["order_id"]].making.append((code(row), row["step"]))
    asked = select(questions.c.order_id, func.max(questions.c.asked_at)).where(
        questions.c.order_id.in_(wanted), questions.c.topic == topic
    )
    for order_id, at in db.execute(asked.group_by(questions.c.order_id)):
        found[order_id].asked_at = at
    return found
