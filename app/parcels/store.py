"""Packed copies, and parcels that have left."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, select
from sqlalchemy.engine import RowMapping

from app.flow.steps import Step
from app.parcels.rules import Leaving, Stop, may_leave
from app.shared.errors import NotFound
from app.tables import animals, copies, customers, models, orders, parcels, questions

_DONE = [str(s) for s in (Step.HANDED_OVER, Step.RECEIVED, Step.REPLACED, Step.CANCELLED)]
_COPY = (
    select(
        copies, orders.c.number.label("order_number"), orders.c.customer_id, orders.c.paid,
        orders.c.gift, orders.c.ship_name, orders.c.ship_lines, orders.c.ship_postcode,
        orders.c.ship_country, orders.c.address_confirmed_at, orders.c.ship_part,
        orders.c.parcel_note, animals.c.name.label("animal"), animals.c.kind,
        customers.c.name.label("customer"),
    )
    .join(orders, orders.c.id == copies.c.order_id)
    .join(customers, customers.c.id == orders.c.customer_id)
    .join(models, models.c.id == copies.c.model_id)
    .join(animals, animals.c.id == models.c.animal_id)
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Packed:
    """A copy at packing, with every reason why it may not leave."""

    row: RowMapping
    stops: list[Stop]

    @property
    def code(self) -> str:
        """Its code on the ticket."""
        r = self.row
        return f"{r['order_number']}-{r['letter']}{r['number']}"


def packed(db: Connection, now: int, *, customer_id: int | None = None) -> list[Packed]:
    """Copies at packing, of one customer or of all, oldest order first."""
    query = _COPY.where(copies.c.step == str(Step.PACKING), copies.c.open == 1)
    if customer_id is not None:
        query = query.where(orders.c.customer_id == customer_id)
    ordered = query.order_by(orders.c.number, copies.c.letter, copies.c.number)
    rows = db.execute(ordered).mappings().all()
    around = _around(db, {row["order_id"] for row in rows})
    return [Packed(row, _stops(row, around, now)) for row in rows]


def stops_of(db: Connection, row: RowMapping, now: int) -> list[Stop]:
    """Every reason why a copy may not leave."""
    return _stops(row, _around(db, {row["order_id"]}), now)


@dataclass(frozen=True, slots=True)
class _Around:
    """What stands against a copy in the rest of its order: copies still being made, by order, and
    open questions, by order and the copy that they are about (None for all of it)."""

    making: Mapping[int, int]
    asked: Mapping[tuple[int, int | None], int]


def _around(db: Connection, order_ids: Collection[int]) -> _Around:
    making = db.execute(
        select(copies.c.order_id, func.count().label("number"))
        .where(
            copies.c.order_id.in_(order_ids),
            copies.c.withdrawn == 0,
            copies.c.step.not_in([*_DONE, str(Step.PACKING)]),
        )
        .group_by(copies.c.order_id)
    )
    asked = db.execute(
        select(questions.c.order_id, questions.c.copy_id, func.count())
        .where(questions.c.order_id.in_(order_ids), questions.c.answered_at.is_(None))
        .group_by(questions.c.order_id, questions.c.copy_id)
    )
    return _Around(
        {row.order_id: row.number for row in making},
        {(order, copy): count for order, copy, count in asked},
    )


def _stops(row: RowMapping, around: _Around, now: int) -> list[Stop]:
    order = row["order_id"]
    return may_leave(
        Leaving(
            now=now,
            rests_until=row["rests_until"],
            questions_open=around.asked.get((order, None), 0)
            + around.asked.get((order, row["id"]), 0),
            paid=row["paid"],
            address_known=bool(row["ship_lines"].strip()),
            address_confirmed=row["address_confirmed_at"] is not None,
            inscription=row["inscription"],
            spelling_confirmed=row["spelling_confirmed_at"] is not None,
            others_not_ready=around.making.get(order, 0),
            ship_part=bool(row["ship_part"]),
            held=bool(row["hold_whose"]),
        )
    )


def copy_row(db: Connection, copy_id: int) -> RowMapping:
    """A copy with its order. Raises NotFound."""
    row = db.execute(_COPY.where(copies.c.id == copy_id)).mappings().first()
    if row is None:
        raise NotFound("There is no such piece.")
    return row


def parcel(db: Connection, parcel_id: int) -> tuple[RowMapping, Sequence[RowMapping]]:
    """A parcel and the copies in it. Raises NotFound."""
    row = db.execute(select(parcels).where(parcels.c.id == parcel_id)).mappings().first()
    if row is None:
        raise NotFound("There is no such parcel.")
    inside = db.execute(_COPY.where(copies.c.parcel_id == parcel_id)).mappings().all()
    return row, inside


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
