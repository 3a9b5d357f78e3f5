"""The week's intake and the waiting list, as they lie in the database."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import Connection, RowMapping, text

from app.orders.book.rules import monday_of, weeks
from app.shared.calendar import Calendar
from app.shared.errors import NotFound
from app.studio.workshop import InForce

# What goes on in the place of another piece, and what was under way when it was typed in, is not
# taken on in this week.
_TAKEN = text(
    "SELECT count(*) FROM copies k JOIN orders o ON o.id = k.order_id"
    " WHERE o.taken_at >= :since AND o.imported = 0 AND k.withdrawn = 0 AND k.making = 1"
    " AND k.step <> 'cancelled'"
)
_LISTED = """
SELECT w.*, o.number, o.needed_by, o.gift, o.customer_id, c.name AS customer
FROM waiting_list w JOIN orders o ON o.id = w.order_id JOIN customers c ON c.id = o.customer_id
"""
_NOW = text(f"{_LISTED} WHERE w.began_at IS NULL AND w.off_at IS NULL ORDER BY w.put_at, o.number")
_OFF = text(f"{_LISTED} WHERE w.off_at >= :since ORDER BY w.off_at DESC")
_ONE = text(f"{_LISTED} WHERE o.number = :number AND w.began_at IS NULL AND w.off_at IS NULL")
_WAITED = text("SELECT began_at - put_at FROM waiting_list WHERE began_at >= :since ORDER BY 1")

Row = RowMapping


@dataclass(frozen=True, slots=True)
class Book:
    """The limit of copies a week (None where there is none), how many were taken on in the week of
    `monday`, and who waits, in their order, each with the week in which they can begin."""

    limit: int | None
    monday: date
    taken: int
    listed: Sequence[Row]
    begins: Sequence[date]
    calendar: Calendar

    def week_for(self, copies: int, listed: int | None = None) -> date:
        """The Monday of the week in which an order of so many copies can begin: behind everybody on
        the list, or where it stands there (`listed`, its id)."""
        ahead = [row["copies"] for row in self.listed]
        if listed is not None:
            ids = [row["order_id"] for row in self.listed]
            ahead = ahead[: ids.index(listed)] if listed in ids else ahead
        if self.limit is None:
            return self.monday
        return weeks([*ahead, copies], self.taken, self.limit, self.monday, self._works)[-1]

    def _works(self, monday: date) -> bool:
        return works(self.calendar, monday)


def works(calendar: Calendar, monday: date) -> bool:
    """Whether anybody works in a week."""
    return any(calendar.is_working_day(monday + timedelta(days=n)) for n in range(7))


def book(db: Connection, in_force: InForce, now: int) -> Book:
    """The book as it stands now."""
    calendar, limit = in_force.calendar, in_force.settings.intake_limit
    monday = monday_of(calendar.day_of(now))
    taken = db.execute(_TAKEN, {"since": calendar.start_of(monday)}).scalar_one()
    listed = db.execute(_NOW).mappings().all()
    sizes = [row["copies"] for row in listed]
    begins = [monday] * len(sizes)
    if limit is not None:
        begins = weeks(sizes, taken, limit, monday, lambda week: works(calendar, week))
    return Book(limit, monday, taken, listed, begins, calendar)


def struck_off(db: Connection, since: int) -> Sequence[Row]:
    """The orders that were struck off the list since a moment, the last first."""
    return db.execute(_OFF, {"since": since}).mappings().all()


def waited(db: Connection, since: int) -> list[int]:
    """How long those that began since a moment had waited on the list, in seconds, rising."""
    return list(db.execute(_WAITED, {"since": since}).scalars())


def the_listed(db: Connection, number: int | None) -> Row | None:
    """The row of the list of an order that stands on it now, by its number; None without one.
    Raises NotFound where it has left the list, or never stood there."""
    if number is None:
        return None
    row = db.execute(_ONE, {"number": number}).mappings().first()
    if row is None:
        raise NotFound("This order is not on the waiting list any more.")
    return row
