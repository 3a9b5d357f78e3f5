"""Working and closed seconds between many pairs of moments at once, by the studio's calendar.

The same seconds as `Calendar.working_seconds` and `Calendar.closed_seconds`, as arrays. Pure.
"""

from dataclasses import dataclass
from datetime import time as day_time
from datetime import timedelta
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.shared.calendar import DAY, Calendar

Ints: TypeAlias = NDArray[np.int64]
MINUTE = 60


@dataclass(frozen=True)
class Spans:
    """Sorted intervals [opens, closes) in epoch seconds, and how much lies before each."""

    opens: Ints
    closes: Ints
    before: Ints

    @staticmethod
    def of(pairs: list[tuple[int, int]]) -> "Spans":
        """From sorted intervals that do not overlap."""
        array = np.array(pairs, dtype=np.int64).reshape(-1, 2)
        length = array[:, 1] - array[:, 0]
        return Spans(array[:, 0], array[:, 1], np.cumsum(length) - length)

    def until(self, moments: Ints) -> Ints:
        """Seconds inside the intervals before each moment."""
        if not self.opens.size:
            return np.zeros_like(moments)
        place = np.searchsorted(self.opens, moments, "right") - 1
        last = np.maximum(place, 0)
        inside = np.minimum(moments, self.closes[last]) - self.opens[last]
        return np.where(place >= 0, self.before[last] + inside, 0)

    def between(self, start: Ints, end: Ints) -> Ints:
        """Seconds inside the intervals within each [start, end)."""
        return self.until(end) - self.until(start)


@dataclass(frozen=True)
class WorkAndRest:
    """A calendar's working hours and its closed days over a stretch of days."""

    work: Spans
    closed: Spans


def spans_of(calendar: Calendar, first: int, last: int) -> WorkAndRest:
    """The calendar from the day of one moment to the day of another, both included."""
    work: list[tuple[int, int]] = []
    closed: list[tuple[int, int]] = []
    day, end = calendar.day_of(first), calendar.day_of(last)
    start = calendar.start_of(day)
    while day <= end:
        following = calendar.start_of(day + timedelta(days=1))
        if day in calendar.closed:
            closed.append((start, following))
        elif hours := calendar.hours.get(day.weekday(), ()):
            if following - start == DAY:
                work.extend((start + _seconds(a), start + (_seconds(b) or DAY)) for a, b in hours)
            else:
                work.extend(_odd_day(calendar, start, following))
        day, start = day + timedelta(days=1), following
    return WorkAndRest(Spans.of(work), Spans.of(closed))


def _seconds(hour: day_time) -> int:
    return hour.hour * 3600 + hour.minute * 60


def _odd_day(calendar: Calendar, start: int, end: int) -> list[tuple[int, int]]:
    """The worked minutes of a day of the clock change, joined where they touch."""
    found: list[tuple[int, int]] = []
    for at in range(start, end, MINUTE):
        if calendar.working_seconds(at, at + MINUTE):
            if found and found[-1][1] == at:
                found[-1] = (found[-1][0], at + MINUTE)
            else:
                found.append((at, at + MINUTE))
    return found
