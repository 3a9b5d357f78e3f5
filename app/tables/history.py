"""Sheets of earlier orders that were brought in, and the pieces that they tell of."""

from sqlalchemy import CheckConstraint
from sqlmodel import SQLModel

from app.tables import columns as col


class Import(SQLModel, table=True):
    """A file that was brought in.

    `choices` is how it was read (JSON): which column is what, how its days are written; the next
    file with such columns is read alike. `pieces` and `orders` count what came of it, finished
    pieces and open orders; `left_out` its rows that did not.
    """

    __tablename__ = "imports"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    file: str = col.text(None)
    choices: str = col.text("{}")
    pieces: int = col.whole(0)
    orders: int = col.whole(0)
    left_out: int = col.whole(0)
    taken_back_at: int | None = col.moment_or_none()
    taken_back_by_id: int | None = col.to_or_none("accounts.id")


class PastPiece(SQLModel, table=True):
    """A piece that had ended before this house knew of it: from its order to its end.

    It has no log: of its way stands only what its sheet said. `steps` (JSON) are the moments at
    which it is known to have come to a step; what is not there is not known. With `by_day` the
    moments are noon of days of which no more is known. Pieces with one `order_key` (a piece's id)
    were ordered together; `reference` is the number that their order had.
    """

    __tablename__ = "past_pieces"
    __table_args__ = (
        CheckConstraint("started_at <= ended_at", name="in_order"),
        col.flag("cancelled"),
        col.flag("by_day"),
        col.STRICT,
    )

    id: int | None = col.key()
    import_id: int = col.to("imports.id", index=True)
    line: int = col.whole(None)
    customer_id: int = col.to("customers.id", index=True)
    animal_id: int = col.to("animals.id", index=True)
    order_key: int = col.whole(None)
    reference: str = col.text()
    size_mm: int | None = col.whole_or_none()
    note: str = col.text()
    started_at: int = col.whole(None)
    ended_at: int = col.whole(None)
    cancelled: int = col.whole(0)
    by_day: int = col.whole(1)
    steps: str = col.text("{}")
