"""When a step is open: intervals on the clock, and the way between clock time and working time.

All times are hours since the moment that the simulation starts from (its "now", 0.0).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.shared.calendar import Calendar, Hours

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HOUR = 3600
MOST_CELLS = 1 << 22


@dataclass(frozen=True, eq=False)
class OpenHours:
    """Sorted open intervals [opens, closes), hours since now, none of them touching.

    `until` is the hour up to which the intervals are known (infinite for a step that never closes);
    work that would last longer is refused by the simulation rather than guessed.
    """

    opens: Floats = field(repr=False)
    closes: Floats = field(repr=False)
    until: float

    @staticmethod
    def always() -> "OpenHours":
        """Day and night: a machine that runs by itself."""
        return OpenHours(np.zeros(1), np.array([np.inf]), np.inf)

    @staticmethod
    def of(opens: ArrayLike, closes: ArrayLike, until: float | None = None) -> "OpenHours":
        """From two arrays of hours since now, sorted; what lies before now is cut off, intervals
        that touch are joined. Raises ValueError where they overlap or run backwards.
        """
        a = np.asarray(opens, dtype=np.float64)
        b = np.asarray(closes, dtype=np.float64)
        if a.ndim != 1 or a.shape != b.shape:
            raise ValueError("Opening and closing hours are two lists of the same length.")
        if np.any(b <= a) or np.any(a[1:] < b[:-1]):
            raise ValueError("Open intervals are sorted, do not overlap, and end after they begin.")
        end = float(b[-1]) if until is None and b.size else float(until or 0.0)
        a, b = np.maximum(a[b > 0], 0.0), b[b > 0]
        if not a.size:
            raise ValueError("The step is never open from now on.")
        apart = np.flatnonzero(a[1:] > b[:-1])
        return OpenHours(
            a[np.r_[0, apart + 1]], b[np.r_[apart, b.size - 1]], max(end, float(b[-1]))
        )

    @staticmethod
    def from_calendar(
        calendar: Calendar, now: int, days: int = 730, hours: dict[int, Hours] | None = None
    ) -> "OpenHours":
        """The studio's calendar from `now` (UTC seconds) for so many days, clock changes included.

        `hours` replaces the calendar's hours of the week; its closed days stay.
        """
        if hours is not None:
            calendar = Calendar(calendar.zone, hours, calendar.closed)
        today = calendar.day_of(now)
        spans = [span for day in calendar.days(today, today + timedelta(days)) for span in day.work]
        hourly = (np.array(spans, dtype=np.float64).reshape(-1, 2) - now) / HOUR
        opens, closes = hourly[hourly[:, 0] < hourly[:, 1]].T  # a skipped hour leaves nothing
        return OpenHours.of(opens, closes, 24.0 * days)

    def without(self, start: float, end: float) -> "OpenHours":
        """The same hours less [start, end)."""
        opens = np.r_[self.opens, np.maximum(self.opens, end)]
        closes = np.r_[np.minimum(self.closes, start), self.closes]
        kept = closes > opens
        pairs = np.unique(np.stack([opens[kept], closes[kept]], axis=1), axis=0)
        return OpenHours.of(pairs[:, 0], pairs[:, 1], self.until)

    def worked(self, clock: ArrayLike) -> Floats:
        """Hours open in [now, clock)."""
        t = np.asarray(clock, dtype=np.float64)[..., None]
        return np.asarray(np.clip(np.minimum(t, self.closes) - self.opens, 0.0, None).sum(axis=-1))


@dataclass(frozen=True)
class HourTables:
    """Several OpenHours side by side for quick look-ups, a row each.

    Two grids of cells lead straight to the interval: `by_clock` from a time on the clock, `by_work`
    from hours worked. A cell holds at most one boundary (cells are powers of two, so that finding
    one rounds nothing), hence a look-up is one guess and one comparison.
    """

    opens: Floats
    length: Floats
    before: Floats  # hours worked before the interval opens
    by_clock: Ints
    by_work: Ints
    clock_cells: int
    work_cells: int
    per_clock: float
    per_work: float

    def worked(self, row: Ints, t: Floats) -> Floats:
        """Hours of work open in [0, t)."""
        cell = np.minimum((t * self.per_clock).astype(np.int64), self.clock_cells - 1)
        i = self.by_clock[row * self.clock_cells + cell]
        i = i + (self.opens[i + 1] <= t)
        return np.asarray(self.before[i] + np.minimum(t - self.opens[i], self.length[i]))

    def clock_at(self, row: Ints, work: Floats) -> Floats:
        """The hour at which so much work is done: at closing time, not at the next opening."""
        cell = np.minimum((work * self.per_work).astype(np.int64), self.work_cells - 1)
        i = self.by_work[row * self.work_cells + cell]
        i = i + (self.before[i + 1] < work)
        return np.asarray(self.opens[i] + (work - self.before[i]))


def _cell(lines: Floats) -> float:
    """A power of two no longer than any gap between boundaries. The first gap of a line may be a
    moment (it is cut at now): its cell then holds a second boundary, but only the very first cell,
    whose first boundary is 0 itself.
    """
    gaps = np.concatenate([np.diff(line[np.isfinite(line)])[1:] for line in lines])
    return float(2.0 ** np.floor(np.log2(gaps.min()))) if gaps.size else float(1 << 20)


def _padded(every: Sequence[OpenHours]) -> tuple[Floats, Floats, Floats]:
    """Opens, length and hours worked before, one row each, closed off by an infinite boundary.

    A row that is closed now begins with an empty interval at 0, so that each hour has a guess.
    The last real interval has no end: whoever needs it beyond `until` is refused afterwards.
    """
    widest = max(h.opens.size for h in every) + 2
    opens = np.full((len(every), widest), np.inf)
    length = np.full((len(every), widest), np.inf)
    before = np.full((len(every), widest), np.inf)
    for row, h in enumerate(every):
        a = h.opens if h.opens[0] == 0 else np.r_[0.0, h.opens]
        n = h.closes - h.opens if h.opens[0] == 0 else np.r_[0.0, h.closes - h.opens]
        opens[row, : a.size], length[row, : a.size - 1] = a, n[:-1]
        before[row, : a.size] = np.r_[0.0, np.cumsum(n[:-1])]
    return opens, length, before


def tables(every: Sequence[OpenHours]) -> HourTables:
    """Lay the open hours out for the simulation. Raises ValueError where intervals are so short
    (seconds) that the tables would not fit in memory.
    """
    opens, length, before = _padded(every)
    clock, work = _cell(opens), _cell(before)
    clock_cells = int(np.ceil(opens[np.isfinite(opens)].max() / clock)) + 1
    work_cells = int(np.ceil(before[np.isfinite(before)].max() / work)) + 1
    if len(every) * max(clock_cells, work_cells) > MOST_CELLS:
        raise ValueError("Open intervals or the gaps between them are too short: under a minute.")
    size = opens.shape[1]
    by_clock = np.concatenate(
        [
            row * size + np.searchsorted(line, np.arange(clock_cells) * clock, side="right") - 1
            for row, line in enumerate(opens)
        ]
    )
    by_work = np.concatenate(
        [
            row * size
            + np.maximum(np.searchsorted(line, np.arange(work_cells) * work, side="left") - 1, 0)
            for row, line in enumerate(before)
        ]
    )
    return HourTables(
        opens.ravel(), length.ravel(), before.ravel(),
        by_clock.astype(np.int64), by_work.astype(np.int64), clock_cells, work_cells,
        1.0 / clock, 1.0 / work,
    )  # fmt: skip
