"""Working hours laid end to end, so that hours of work are found on the clock by bisection."""

from bisect import bisect_right
from collections.abc import Callable
from datetime import date, timedelta

from app.shared.calendar import DAY, Calendar

HOUR = 3_600
SEASON = (0.85, 0.85, 0.9, 0.95, 0.95, 1.0, 0.95, 1.0, 1.1, 1.2, 1.3, 0.95)
"""Orders of a month against the year's mean, January first: gifts make autumn the busy time."""


class WorkingHours:
    """Somebody's working hours over the whole span of the demo.

    `spans` holds (start, end) moments in order, not touching the ones that follow.
    """

    def __init__(self, spans: list[tuple[int, int]]) -> None:
        self._starts = [a for a, _ in spans]
        self._ends = [b for _, b in spans]
        self._done = [0]
        for a, b in spans:
            self._done.append(self._done[-1] + b - a)

    def at_work(self, moment: int) -> bool:
        """Whether a moment is worked."""
        i = bisect_right(self._starts, moment) - 1
        return i >= 0 and moment < self._ends[i]

    def next_open(self, moment: int) -> int:
        """The first worked moment at or after a moment."""
        i = bisect_right(self._ends, moment)
        return max(moment, self._starts[i]) if i < len(self._starts) else moment + 400 * DAY

    def after(self, moment: int, seconds: int) -> int:
        """The moment at which so many working seconds have passed."""
        i = bisect_right(self._ends, moment)
        if i >= len(self._starts):
            return moment + 400 * DAY
        goal = self._done[i] + max(0, moment - self._starts[i]) + seconds
        j = bisect_right(self._done, goal) - 1
        if j >= len(self._starts):
            return moment + 400 * DAY
        return self._starts[j] + goal - self._done[j]


def worked_before(calendar: Calendar, moment: int, seconds: int) -> int:
    """The moment from which so many working seconds, or a few more, lie before another one."""
    back = moment
    while calendar.working_seconds(back, moment) < seconds and moment - back < 60 * DAY:
        back -= 6 * HOUR
    return back


def lay_out(
    calendar: Calendar,
    first: date,
    last: date,
    away: frozenset[date] = frozenset(),
    from_hour: Callable[[int, int], tuple[int, int]] | None = None,
) -> WorkingHours:
    """The calendar's hours from `first` to `last`, without the days on which somebody is away.

    `from_hour` may cut each span: the owner works at the bench in the afternoon only.
    """
    spans = [
        from_hour(a, b) if from_hour else (a, b)
        for number, day in enumerate(calendar.days(first, last))
        if first + timedelta(days=number) not in away
        for a, b in day.work
    ]
    return WorkingHours(spans)
