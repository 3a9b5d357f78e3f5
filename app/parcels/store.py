"""Packed copies, and parcels that have left."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, select
from sqlalchemy.engine import RowMapping

from app.flow.steps import Step
from app.moving.parcels import COPY, around, code, stops
from app.moving.rules import Stop
from app.shared.errors import NotFound
from app.tables import copies, orders, parcels


@dataclass(frozen=True, slots=True)
class Packed:
    """A copy at packing, with every reason why it may not leave."""

    row: RowMapping
    stops: list[Stop]

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
    beside = around(db, {row["order_id"] for row in rows})
    return [Packed(row, stops(row, beside, now)) for row in rows]


def parcel(db: Connection, parcel_id: int) -> tuple[RowMapping, Sequence[RowMapping]]:
    """A parcel and the copies in it. Raises NotFound."""
    row = db.execute(select(parcels).where(parcels.c.id == parcel_id)).mappings().first()
    if row is None:
        raise NotFound("There is no such parcel.")
    inside = db.execute(COPY.where(copies.c.parcel_id == parcel_id)).mappings().all()
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
