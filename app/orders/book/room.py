"""Whether there is room for an order in this week."""

from datetime import date

from sqlalchemy import Connection

from app.orders.book import store
from app.orders.book.store import Book, Row
from app.studio.workshop import InForce


class WeekFull(Exception):
    """As much as is taken on in a week has been: the order can begin in that of `begins`."""

    def __init__(self, book: Book, copies: int, begins: date) -> None:
        super().__init__("This week is full.")
        self.book, self.copies, self.begins = book, copies, begins


def full(
    db: Connection, in_force: InForce, now: int, copies: int, waiting: Row | None
) -> WeekFull | None:
    """What stands against taking an order of some copies on now, one that is `waiting` in its place
    on the list: None where there is no limit, or room."""
    if in_force.settings.intake_limit is None:
        return None
    book = store.book(db, in_force, now)
    begins = book.week_for(copies, waiting["order_id"] if waiting is not None else None)
    return WeekFull(book, copies, begins) if begins > book.monday else None
