"""Is it getting worse? The last ninety days against the ninety before, and slow drift by week.

Pure: no clock. Days are elapsed days from order to handing over, as everywhere on the page.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Final

import numpy as np

from app.leadtimes.log import DAY, FINISHED
from app.leadtimes.statistics import individuals_chart, nearest_rank
from app.leadtimes.trend import Drift, Shift, ewma_chart, shift
from app.owner.figures import ENOUGH
from app.owner.ways import CopyWays
from app.shared.calendar import Calendar

SPAN_DAYS: Final = 90
FEW_IN_A_WEEK: Final = 3
# At least as many weeks make the centre and the limits, and half as many are held against them.
WEEKS_TO_LEARN: Final = 16


@dataclass(frozen=True, slots=True)
class Ninety:
    """The pieces that left in ninety days: how many, and their median in days."""

    pieces: int
    median: float | None


@dataclass(frozen=True, slots=True)
class Week:
    """A week by its Monday, with its pieces, their typical days (geometric mean), the weighted
    average up to it, and whether that lies outside the limits."""

    start: date
    pieces: int
    typical: float
    average: float
    outside: bool


@dataclass(frozen=True, slots=True)
class Worse:
    """Both answers. `shift` is None with too few pieces on either side, `drift` with too few
    weeks; `weeks` are those held against the limits, which are in days and come from the `learned`
    weeks before."""

    before: Ninety
    now: Ninety
    shift: Shift | None
    drift: Drift | None
    weeks: tuple[Week, ...]
    learned: int

    @property
    def since(self) -> date | None:
        """From which week on the average has been outside; None where it is not now."""
        at = self.drift.since if self.drift else None
        return None if at is None else self.weeks[at].start


def worse(found: CopyWays, calendar: Calendar, now: int) -> Worse:
    """Both answers for some pieces, as of a moment (UTC seconds)."""
    done = found.take(found.outcome == FINISHED)
    days = done.lead / DAY
    today = calendar.day_of(now)
    edges = [calendar.start_of(today - timedelta(days=n * SPAN_DAYS)) for n in (2, 1, 0)]
    sides = [days[(done.ended >= a) & (done.ended < b)] for a, b in pairwise(edges)]
    enough = min(len(side) for side in sides) >= ENOUGH
    weeks = _weeks(done, calendar, today)
    drift, held = _drift(weeks)
    before, last = (_span(side) for side in sides)
    told = shift(*sides) if enough else None
    return Worse(before, last, told, drift, held, len(weeks) - len(held))


def _span(days: np.ndarray) -> Ninety:
    median = float(nearest_rank(days, 0.5)) if len(days) >= ENOUGH else None
    return Ninety(len(days), median)


def _weeks(done: CopyWays, calendar: Calendar, today: date) -> list[tuple[date, int, float]]:
    """Whole weeks of a year back with enough pieces: Monday, pieces, mean of their logarithms."""
    monday = today - timedelta(days=today.weekday())
    starts = [monday - timedelta(weeks=n) for n in range(52, -1, -1)]
    place = np.searchsorted([calendar.start_of(day) for day in starts], done.ended, "right") - 1
    found = []
    for number, start in enumerate(starts[:-1]):
        lead = done.lead[(place == number) & (done.lead > 0)] / DAY
        if len(lead) >= FEW_IN_A_WEEK:
            found.append((start, len(lead), float(np.log(lead).mean())))
    return found


def _drift(weeks: list[tuple[date, int, float]]) -> tuple[Drift | None, tuple[Week, ...]]:
    """The chart of the weeks after those that it was learned from, told in days.

    Centre and spread come from the older half alone (by the mean range of neighbours): drawn from
    all of them a drift would be part of what is called usual.
    """
    half = max(WEEKS_TO_LEARN, len(weeks) // 2)
    learned, later = weeks[:half], weeks[half:]
    if len(later) < WEEKS_TO_LEARN // 2:
        return None, ()
    chart = individuals_chart([typical for _, _, typical in learned])
    sigma = (chart.upper - chart.centre) / 3
    drift = ewma_chart([typical for _, _, typical in later], chart.centre, sigma)
    held = tuple(
        Week(start, n, float(np.exp(typical)), float(np.exp(average)), at in drift.outside)
        for at, ((start, n, typical), average) in enumerate(zip(later, drift.averages, strict=True))
    )
    centre, lower, upper = np.exp([drift.centre, drift.lower, drift.upper]).tolist()
    averages = tuple(week.average for week in held)
    return Drift(centre, lower, upper, averages, drift.outside), held
