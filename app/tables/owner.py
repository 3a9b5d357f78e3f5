"""What the owner decides by: chances as they were day by day."""

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import SQLModel

from app.tables import columns as col


class ChanceOfADay(SQLModel, table=True):
    """The chance, in thousandths, that an order is there by the day it is needed, as first worked
    out on a day; `needed_by` is the day it was then needed by."""

    __tablename__ = "chances"
    __table_args__ = (
        UniqueConstraint("order_id", "day"),
        CheckConstraint("thousandths BETWEEN 0 AND 1000", name="a_share"),
        col.STRICT,
    )

    id: int | None = col.key()
    order_id: int = col.to("orders.id")
    day: str = col.text(None)
    needed_by: str = col.text(None)
    thousandths: int = col.whole(None)
