"""In which week an order can begin: a limit of copies a week, and the list in its order. Pure."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta

WEEK = timedelta(days=7)
# In a calendar in which nobody ever works a week is named all the same.
_FURTHEST = 520


def monday_of(day: date) -> date:
    """The Monday of a day's week."""
    return day - timedelta(days=day.weekday())


def told_is_over(begins_on: str, today: date) -> bool:
    """Whether the week of a Monday (ISO) that was told has passed."""
    return date.fromisoformat(begins_on) + WEEK <= today


def weeks(
    sizes: Sequence[int], taken: int, limit: int, first: date, works: Callable[[date], bool]
) -> list[date]:
    """The Mondays of the weeks in which orders of some sizes (copies) can begin, one after another.

    In the week of `first`, `taken` copies have been taken on already. Nobody overtakes anybody; an
    order that is larger than the limit gets a week in which nothing else was taken on. `works` says
    of a Monday whether anybody works in its week.
    """
    week, room = first, limit - taken
    found: list[date] = []
    for size in sizes:
        for _ in range(_FURTHEST):
            if works(week) and (room >= size or room == limit):
                break
            week, room = week + WEEK, limit
        room -= size
        found.append(week)
    return found
