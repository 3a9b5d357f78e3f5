"""The track record: what customers were told when, against the day on which the order was ready.

Only what was told counts, not what was computed. A range is judged when its last day has passed,
whether or not the order was ready by then: judged on being ready, the short ones would come in
first and flatter. Pure.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from app.owner.figures import WilsonShare
from app.shared.calendar import DAY, Calendar


class RangeOutcome(StrEnum):
    """What became of a range."""

    EARLY = "ready before the first day"
    WITHIN = "ready within"
    LATE = "ready after the last day"
    OVERDUE = "not ready, and its last day has passed"
    NOT_DUE = "its last day has not passed"
    GIVEN_UP = "the order was cancelled"


@dataclass(frozen=True, slots=True)
class TrackedRange:
    """A range that stood when something happened: when it was told, how, and between which days."""

    on: date
    channel: str
    first: date
    last: date


@dataclass(frozen=True, slots=True)
class TrackRow:
    """An order: what was told when its photos had passed and when its models were finished, and
    the day on which its last piece was handed over (None while it is not).
    """

    number: int
    passed: TrackedRange | None
    finished: TrackedRange | None
    ready: date | None
    given_up: bool
    passed_was: RangeOutcome | None
    finished_was: RangeOutcome | None


@dataclass(frozen=True, slots=True)
class MilestoneRecord:
    """Of the ranges told at one milestone: ready by the last day; within; before the first."""

    by_the_last: WilsonShare
    within: WilsonShare
    early: WilsonShare
    not_due: int


@dataclass(frozen=True, slots=True)
class OrderEnds:
    """What an order's pieces say: when photos passed and models were finished (None where not
    yet), when the last piece was handed over, whether any is still here, whether all were given up.
    """

    number: int
    passed_at: int | None
    finished_at: int | None
    ready_at: int | None
    open: bool


def standing(told: Sequence[Any], moment: int) -> Any | None:
    """What the customer could read after a moment: the first telling within a day of it, else the
    last one before. `told` are an order's tellings, the oldest first.
    """
    before = None
    for telling in told:
        if telling.at < moment:
            before = telling
        elif telling.at <= moment + DAY:
            return telling
    return before


def verdict(told: TrackedRange, ready: date | None, given_up: bool, today: date) -> RangeOutcome:
    """What became of a range, as seen today."""
    if given_up:
        return RangeOutcome.GIVEN_UP
    if told.last >= today:
        return RangeOutcome.NOT_DUE
    if ready is None:
        return RangeOutcome.OVERDUE
    if ready > told.last:
        return RangeOutcome.LATE
    return RangeOutcome.EARLY if ready < told.first else RangeOutcome.WITHIN


def row_of(order: OrderEnds, told: Sequence[Any], calendar: Calendar, today: date) -> TrackRow:
    """One order's row."""
    ready = (
        calendar.day_of(order.ready_at) if order.ready_at is not None and not order.open else None
    )
    given_up = not order.open and order.ready_at is None
    passed, finished = (
        _told(standing(told, moment) if moment is not None else None, calendar)
        for moment in (order.passed_at, order.finished_at)
    )
    was = [verdict(t, ready, given_up, today) if t else None for t in (passed, finished)]
    return TrackRow(order.number, passed, finished, ready, given_up, was[0], was[1])


def _told(telling: Any | None, calendar: Calendar) -> TrackedRange | None:
    if telling is None or telling.to_day is None or telling.from_day is None:
        return None
    return TrackedRange(
        calendar.day_of(telling.at),
        telling.channel,
        date.fromisoformat(telling.from_day),
        date.fromisoformat(telling.to_day),
    )


@dataclass(frozen=True, slots=True)
class Quarter:
    """The ranges told in a quarter of a year when photos had passed, and how they were kept."""

    year: int
    number: int
    kept: MilestoneRecord

    @property
    def name(self) -> str:
        """As people say it: "1st quarter 2026"."""
        return f"{('1st', '2nd', '3rd', '4th')[self.number - 1]} quarter {self.year}"


def by_quarter(rows: Sequence[TrackRow]) -> list[Quarter]:
    """The ranges told when photos had passed, by the quarter in which they were told, the newest
    first; cancelled orders are left out."""
    told: dict[tuple[int, int], list[RangeOutcome | None]] = {}
    for row in rows:
        if row.passed is not None and row.passed_was is not RangeOutcome.GIVEN_UP:
            quarter = row.passed.on.year, (row.passed.on.month + 2) // 3
            told.setdefault(quarter, []).append(row.passed_was)
    return [Quarter(*when, record_of(told[when])) for when in sorted(told, reverse=True)]


@dataclass(frozen=True, slots=True)
class ChanceRecord:
    """Orders of which chances within a fifth were said ("0 to 2 in 10"), the mean of what was said,
    and how many of them left in time."""

    tenths: tuple[int, int]
    said: float
    kept: WilsonShare


def chances_kept(said: Sequence[tuple[float, bool]]) -> list[ChanceRecord]:
    """What came of chances that were said, by fifths: (chance from 0 to 1, whether it left in
    time). Where chances are right, the share kept lies near the mean of what was said."""
    found = []
    for low in range(0, 10, 2):
        mine = [(c, kept) for c, kept in said if min(int(c * 5), 4) == low // 2]
        if mine:
            mean = sum(chance for chance, _ in mine) / len(mine)
            kept = WilsonShare(sum(kept for _, kept in mine), len(mine))
            found.append(ChanceRecord((low, low + 2), mean, kept))
    return found


def record_of(verdicts: Sequence[RangeOutcome | None]) -> MilestoneRecord:
    """Shares of the ranges whose last day has passed."""
    count: Mapping[RangeOutcome, int] = {kind: verdicts.count(kind) for kind in RangeOutcome}
    held = count[RangeOutcome.EARLY] + count[RangeOutcome.WITHIN]
    n = held + count[RangeOutcome.LATE] + count[RangeOutcome.OVERDUE]
    by_the_last, within, early = (
        WilsonShare(hits, n)
        for hits in (held, count[RangeOutcome.WITHIN], count[RangeOutcome.EARLY])
    )
    return MilestoneRecord(by_the_last, within, early, count[RangeOutcome.NOT_DUE])
