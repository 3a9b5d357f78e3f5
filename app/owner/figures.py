"""The figures of the lead-time page, from the ways of the pieces. Pure: no clock.

Days are elapsed days. A piece's lead time runs from its order to its handing over to a carrier.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.flow.steps import BENCHES, STEPS, Step, TimeClass
from app.leadtimes.log import CANCELLED, DAY, FINISHED, OPEN
from app.leadtimes.rates import wilson
from app.leadtimes.statistics import (
    Individuals,
    LittleCheck,
    little,
    log_individuals_chart,
    nearest_rank,
)
from app.leadtimes.survival import Curve, kaplan_meier
from app.leadtimes.working import Worked
from app.owner.intervals import CLASS_LIST, STEP_CODE
from app.owner.ways import CopyWays
from app.shared.calendar import Calendar

ENOUGH: Final = 20  # fewer cases are told in words only
FEW_FOR_A_MEDIAN: Final = 5
MOST_ERROR: Final = 0.125
MONTHS_FOR_LIMITS: Final = 6
SPANS: Final = (6, 12, 24)
# The first row of time is the studio's own, in the order in which the page shows it.
OWN_CLASSES: Final = (
    TimeClass.WAITING, TimeClass.HANDS, TimeClass.QUEUE, TimeClass.MACHINE, TimeClass.REST,
    TimeClass.REST_OF_ORDER, TimeClass.CLOSED, TimeClass.HOLD, TimeClass.CARRIER,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class WilsonShare:
    """How many of some ranges or pieces did something, with Wilson's 95 % interval of the share."""

    hits: int
    n: int

    @property
    def enough(self) -> bool:
        """Whether there are enough for a share."""
        return self.n >= ENOUGH

    def in_100(self) -> tuple[int, int, int]:
        """The share and its interval, in 100, the interval rounded outward."""
        low, high = wilson(self.hits, self.n)
        return round(100 * self.hits / self.n), int(100 * low), min(100, -int(-100 * high // 1))


@dataclass(frozen=True)
class Choice:
    """What the page's address asks for: how many months back, which kind of animal, and whether
    remembered animals count.
    """

    months: int = 12
    kind: str = ""
    remembered: bool = True


def month_starts(calendar: Calendar, now: int, months: int) -> list[date]:
    """The first days of the last months, the unfinished one included, and of the month after it."""
    day = calendar.day_of(now)
    last = day.year * 12 + day.month
    return [date((n - 1) // 12, (n - 1) % 12 + 1, 1) for n in range(last - months + 1, last + 2)]


def chosen(found: CopyWays, choice: Choice) -> CopyWays:
    """The pieces that the choice is about, of whatever age."""
    rows = np.ones(len(found), dtype=bool)
    if choice.kind:
        rows &= found.kind == choice.kind
    if not choice.remembered:
        rows &= ~found.remembered
    return found.take(rows)


@dataclass(frozen=True)
class Finishing:
    """The pieces that were handed over in a month: their lead times in days, sorted."""

    start: date
    unfinished: bool
    days: tuple[float, ...]
    median: float | None
    slow: float | None


def by_finishing(found: CopyWays, starts: Sequence[date], edges: Sequence[int]) -> list[Finishing]:
    """Lead times by month of finishing. Points are of type 1 (nearest rank): a piece's own days.

    The median is given from five pieces on, the 85 % point from twenty.
    """
    done = found.outcome == FINISHED
    place = np.searchsorted(np.array(edges), found.ended[done], "right") - 1
    lead = found.lead[done] / DAY
    months = []
    for number, start in enumerate(starts[:-1]):
        days = np.sort(lead[place == number])
        points = nearest_rank(days, [0.5, 0.85]).tolist() if days.size else [0.0, 0.0]
        months.append(
            Finishing(
                start,
                number == len(starts) - 2,
                tuple(days.round(1).tolist()),
                points[0] if days.size >= FEW_FOR_A_MEDIAN else None,
                points[1] if days.size >= ENOUGH else None,
            )
        )
    return months


@dataclass(frozen=True)
class Starting:
    """The pieces that were ordered in a month, and what their curve says: the days by which half
    and 85 in 100 of them had left (None where it has not fallen so far).
    """

    start: date
    pieces: int
    finished: int
    open: int
    cancelled: int
    half: float | None
    slow: float | None
    curve: Curve

    def steps(self) -> list[tuple[float, float]]:
        """The curve's corners as (days, share that has left), up to the last piece seen."""
        c = self.curve
        corners = zip(c.times.tolist(), c.survival.tolist(), strict=True)
        points = [(0.0, 0.0), *((round(t, 1), round(1 - s, 4)) for t, s in corners)]
        return [*points, (round(c.last_seen, 1), points[-1][1])]


def curve_of(found: CopyWays, now: int) -> Curve:
    """How long pieces take, in days: open and cancelled ones count as long as they were seen, and
    those that came by import from the day on which they were known (delayed entry).
    """
    seen_until = np.where(found.outcome == OPEN, now, found.ended)
    exit = (seen_until - found.started) / DAY
    late = (found.known_from - found.started) / DAY
    # -1, not 0: what was watched all along and took no time at all did happen.
    entry = np.minimum(np.where(late > 0, late, -1.0), exit)
    curve = kaplan_meier(exit, found.outcome == FINISHED, entry)
    return _while_certain(curve) if (found.outcome == OPEN).any() else curve


def _while_certain(curve: Curve) -> Curve:
    """The curve as long as Greenwood's standard error of it stays within an eighth: beyond, so few
    are still watched that one order leaving would move it far.
    """
    unsure = np.flatnonzero(curve.standard_error(curve.times) > MOST_ERROR)
    if not unsure.size:
        return curve
    last = int(unsure[0])
    return Curve(
        curve.times[:last], curve.at_risk[:last], curve.events[:last], curve.survival[:last],
        curve.hazard_variance[:last], float(curve.times[last]),
    )  # fmt: skip


def by_starting(
    found: CopyWays, starts: Sequence[date], edges: Sequence[int], now: int
) -> list[Starting]:
    """A curve for each month of ordering."""
    place = np.searchsorted(np.array(edges), found.started, "right") - 1
    months = []
    for number, start in enumerate(starts[:-1]):
        mine = found.take(place == number)
        curve = curve_of(mine, now)
        half, slow = _points(curve, len(mine))
        done, still, gone = (
            int((mine.outcome == kind).sum()) for kind in (FINISHED, OPEN, CANCELLED)
        )
        months.append(Starting(start, len(mine), done, still, gone, half, slow, curve))
    return months


def _points(curve: Curve, pieces: int) -> tuple[float | None, float | None]:
    half, slow = curve.quantile([0.5, 0.85]).tolist()
    return (
        half if pieces >= FEW_FOR_A_MEDIAN and np.isfinite(half) else None,
        slow if pieces >= ENOUGH and np.isfinite(slow) else None,
    )


@dataclass(frozen=True)
class WhereRow:
    """A step's tenths of a day, by class: the studio's classes, then the customer's time."""

    name: str
    own: tuple[int, ...]
    customer: int

    @property
    def total(self) -> int:
        """All of the step's time."""
        return sum(self.own) + self.customer


@dataclass(frozen=True)
class Where:
    """Where the days of a mean lead time went, in tenths of a day that add up exactly."""

    pieces: int
    seconds: int
    classes: tuple[TimeClass, ...]
    rows: tuple[WhereRow, ...]

    @property
    def columns(self) -> list[int]:
        """The sums of the columns of the studio's own classes."""
        return [sum(row.own[n] for row in self.rows) for n in range(len(self.classes))]

    @property
    def customer(self) -> int:
        """The customer's time in all."""
        return sum(row.customer for row in self.rows)

    @property
    def total(self) -> int:
        """The mean lead time."""
        return sum(row.total for row in self.rows)

    def of(self, kind: TimeClass) -> int:
        """One class in all; 0 where no time fell into it."""
        return self.columns[self.classes.index(kind)] if kind in self.classes else 0


def where_the_days_go(found: CopyWays, since: int) -> Where | None:
    """The mean split of the pieces that were handed over since a moment, their whole way known.

    Means, because medians do not add up; tenths by largest remainder, so that the cells add up to
    the rounded whole. None without any such piece.
    """
    mine = found.take(found.whole & (found.ended >= since))
    if not len(mine):
        return None
    seconds = mine.seconds.sum(axis=0)
    tenths = tenths_of_a_day(seconds, len(mine))
    used = tuple(k for k in OWN_CLASSES if tenths[:, CLASS_LIST.index(k)].any())
    customer = CLASS_LIST.index(TimeClass.CUSTOMER)
    steps = [*BENCHES, Step.NOT_BEGUN]
    rows = [
        WhereRow(
            "Between steps" if step is Step.NOT_BEGUN else STEPS[step].name,
            tuple(int(tenths[STEP_CODE[step], CLASS_LIST.index(kind)]) for kind in used),
            int(tenths[STEP_CODE[step], customer]),
        )
        for step in steps
    ]
    return Where(len(mine), int(seconds.sum()), used, tuple(r for r in rows if r.total))


def tenths_of_a_day(seconds: NDArray[np.int64], pieces: int) -> NDArray[np.int64]:
    """Whole seconds of some pieces as tenths of a mean day, same shape, adding up to the rounded
    whole (largest remainder).
    """
    exact = seconds.ravel() / (pieces * DAY) * 10
    tenths = np.floor(exact).astype(np.int64)
    missing = int(np.rint(exact.sum())) - int(tenths.sum())
    order = np.argsort(-(exact - tenths), kind="stable")
    tenths[order[:missing]] += 1
    return tenths.reshape(seconds.shape)


@dataclass(frozen=True, slots=True)
class WorkingRow:
    """A step's working time: of how many pieces, the hours, and the hours that are assumed."""

    name: str
    pieces: int
    hours: float
    assumed: float


@dataclass(frozen=True)
class Working:
    """Hours of hands in a span, split over what was in hand together, and how many pieces left."""

    rows: tuple[WorkingRow, ...]
    left: int

    @property
    def hours(self) -> float:
        """All that somebody has closed: what the figures of working time count."""
        return sum(row.hours for row in self.rows)

    @property
    def assumed(self) -> float:
        """What nobody closed, and no figure counts."""
        return sum(row.assumed for row in self.rows)

    @property
    def assumed_in_100(self) -> int:
        """The share of the assumed in all time in hand, in 100."""
        return round(100 * self.assumed / (self.hours + self.assumed))

    @property
    def hours_a_piece(self) -> float | None:
        """Hours for each piece that left; None where too few did."""
        return self.hours / self.left if self.left >= ENOUGH else None


def working(worked: Sequence[Worked], since: int, left: int) -> Working | None:
    """Working time of what was taken in hand since a moment, by step; None where nothing was.

    `left` is how many pieces were handed over meanwhile.
    """
    steps: dict[Step, list[Worked]] = {}
    for one in worked:
        if one.held.start >= since and one.seconds:
            steps.setdefault(one.held.step, []).append(one)
    rows = tuple(
        WorkingRow(
            STEPS[step].name,
            len({one.held.piece for one in steps[step]}),
            sum(one.seconds for one in steps[step] if not one.assumed) / 3600,
            sum(one.seconds for one in steps[step] if one.assumed) / 3600,
        )
        for step in BENCHES
        if step in steps
    )
    return Working(rows, left) if rows else None


@dataclass(frozen=True)
class Months:
    """Medians of whole months on an individuals chart; `chart` None with too few months."""

    rows: tuple[tuple[date, float, int], ...]
    chart: Individuals | None

    def outside(self) -> list[date]:
        """The months whose median lies outside the limits."""
        return [self.rows[n][0] for n in self.chart.outside] if self.chart else []


def steadiness(months: Sequence[Finishing]) -> Months:
    """Whether the months' medians vary more than neighbours do: limits on logarithms.

    Only whole months with at least five pieces; limits from six such months on.
    """
    rows = tuple(
        (m.start, m.median, len(m.days))
        for m in months
        if not m.unfinished and m.median is not None and m.median > 0
    )
    chart = (
        log_individuals_chart([median for _, median, _ in rows])
        if len(rows) >= MONTHS_FOR_LIMITS
        else None
    )
    return Months(rows, chart)


@dataclass(frozen=True)
class Flow:
    """Little's law over a window, beside the mean lead time of the pieces that ended in it."""

    check: LittleCheck
    measured_days: float
    ended: int

    @property
    def apart(self) -> float:
        """How far the measured mean lies from what the law says, as a share of the latter."""
        return self.measured_days / self.check.expected_days - 1


def flow(found: CopyWays, since: int, now: int) -> Flow | None:
    """Pieces on the way and pieces coming, since a moment; None where none came or none ended."""
    ended = np.where(found.outcome == OPEN, np.nan, found.ended.astype(float))
    check = little(found.started / DAY, ended / DAY, since / DAY, now / DAY)
    gone = found.take((found.outcome != OPEN) & (found.ended >= since) & (found.ended < now))
    if not check.per_day or not len(gone):
        return None
    return Flow(check, float(gone.lead.mean()) / DAY, len(gone))


@dataclass(frozen=True)
class LeadTimes:
    """All that the page draws, for one choice. Of the `finished`, `imported` were brought in."""

    finished: int
    imported: int
    shortest: float
    longest: float
    finishing: list[Finishing]
    starting: list[Starting]
    where: Where | None
    working: Working | None
    months: Months
    flow: Flow | None

    @property
    def enough(self) -> bool:
        """Whether there are enough finished pieces for figures; fewer are told in words."""
        return self.finished >= ENOUGH


def figures(
    found: CopyWays, worked: Sequence[Worked], calendar: Calendar, now: int, months: int
) -> LeadTimes:
    """The figures of some pieces over the last months; `worked` is what hands gave to them."""
    starts = month_starts(calendar, now, months)
    edges = [calendar.start_of(day) for day in starts]
    finishing = by_finishing(found, starts, edges)
    days = [d for month in finishing for d in month.days]
    imported = int((found.imported & (found.outcome == FINISHED) & (found.ended >= edges[0])).sum())
    return LeadTimes(
        finished=len(days),
        imported=imported,
        shortest=min(days, default=0.0),
        longest=max(days, default=0.0),
        finishing=finishing,
        starting=by_starting(found, starts, edges, now),
        where=where_the_days_go(found, edges[0]),
        working=working(worked, edges[0], len(days) - imported),
        months=steadiness(finishing),
        flow=flow(found, edges[0], now),
    )
