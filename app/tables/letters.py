"""News of an order, and the letters made from it."""

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from app.tables.columns import STRICT, key, text, to, to_or_none, whole
from app.tables.columns import whole_or_none as moment_or_none


class News(SQLModel, table=True):
    """Something the customer would like to hear, once per order, animal, kind and round.

    `letter` is the animal's letter in the order, or empty where the news is of the whole order.
    """

    __tablename__ = "news"
    __table_args__ = (UniqueConstraint("order_id", "letter", "kind", "round"), STRICT)

    id: int | None = key()
    order_id: int = to("orders.id", index=True)
    letter: str = text()
    kind: str = text(None)
    round: int = whole(0)
    at: int = whole(None)
    transition_id: int | None = to_or_none("transitions.id")
    taken_back_at: int | None = moment_or_none()
