"""Working and closed seconds between many pairs of moments at once, by the studio's calendar.

The same seconds as `Calendar.working_seconds` and `Calendar.closed_seconds`, as arrays. Pure.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.shared.calendar import Calendar

Ints: TypeAlias = NDArray[np.int64]


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
    days = calendar.days(calendar.day_of(first), calendar.day_of(last))
    return WorkAndRest(
        Spans.of([span for day in days for span in day.work]),
        Spans.of([(day.start, day.end) for day in days if day.closed]),
    )
