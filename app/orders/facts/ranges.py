"""The range that a customer is shown: between which days the order's last piece is ready. Pure.

What is computed and what was told are two things. A shown range moves earlier only at a step
change, and later only when it is told; it is never one in the past, and never one that is known to
be false. Where the computed end passes the told one the desk is asked to tell the customer: at
once where something happened (a step, a closure), on the second day where it only drifted. With no
word from the desk the end is dropped, and at once where the house itself put a piece on hold.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from statistics import NormalDist

from app.flow.steps import BENCHES, STEPS, Step
from app.shared.calendar import DAY, Calendar

LOW, HIGH = 0.10, 0.85
BEYOND_WORKING_DAYS = 3
BEYOND_SHARE = 0.10
DAYS_RUNNING = 2
ANSWER_WITHIN = 2
WRITE_WITHIN = 5
STALE_AFTER_DAYS = 3
RECOMPUTED_WITHIN = 600
TOLD_BY_A_PERSON = "told by a person"
_TRADE = "from what is usual in the trade"
_NOT_YET = "not yet from this studio's own record"
FROM_THE_TRADE = f"{_TRADE}, {_NOT_YET}"
_OUR_WEEKS = "from our usual weeks"
FROM_OUR_WEEKS = f"{_OUR_WEEKS}, {_NOT_YET}"
Weeks = tuple[int, int]
_Z_LOW, _Z_HIGH = NormalDist().inv_cdf(LOW), NormalDist().inv_cdf(HIGH)


@dataclass(frozen=True, slots=True)
class Span:
    """Days, as numbers: how many until the 10 % and the 85 % point, and what that rests on."""

    low: float
    high: float
    basis: str


class Rests(StrEnum):
    """What a range rests on, by the words in which its basis is kept."""

    ON_THE_TRADE = "trade"
    ON_BOTH = "both"
    ON_OUR_WEEKS = "weeks"
    ON_WEEKS_AND_OWN = "weeks and own"
    ON_OUR_OWN = "own"
    ON_A_WORD = "word"

    @classmethod
    def of(cls, basis: str) -> "Rests":
        """Read it from a basis: "partly from what is usual in the trade" is both."""
        if basis == TOLD_BY_A_PERSON:
            return cls.ON_A_WORD
        if basis.startswith(_TRADE):
            return cls.ON_THE_TRADE
        if basis.startswith(_OUR_WEEKS):
            return cls.ON_OUR_WEEKS
        if _OUR_WEEKS in basis:
            return cls.ON_WEEKS_AND_OWN
        return cls.ON_BOTH if _TRADE in basis else cls.ON_OUR_OWN


class Soon:
    """Nothing to go by yet: points are about to be computed again."""


@dataclass(frozen=True, slots=True)
class Position:
    """A piece on its way: its step, and how many days it has been there."""

    step: Step
    age: float


@dataclass(frozen=True, slots=True)
class ToldRange:
    """What was last told. Without `to_day` it said that it takes longer, and `write_by` when;
    `end_before` is the last end that was named before it.
    """

    at: int
    from_day: date | None
    to_day: date | None
    write_by: date | None
    basis: str
    steps_seen: int
    end_before: date | None = None

    @property
    def promised(self) -> date | None:
        """The last end that the customer was given."""
        return self.to_day or self.end_before


@dataclass(frozen=True, slots=True)
class HouseHold:
    """A hold that is not the customer's: since when, and the day on which what it holds is ready at
    its quickest, going on when it is looked at again (None where no day was said).
    """

    at: int
    soonest: date | None


@dataclass(frozen=True, slots=True)
class Shown:
    """What is said now: between two days, or that it takes longer and by when we write."""

    from_day: date | None
    to_day: date | None
    write_by: date | None
    basis: str

    @property
    def longer(self) -> bool:
        """Whether the end was dropped."""
        return self.to_day is None


@dataclass(frozen=True, slots=True)
class Decision:
    """What to show, and what has to be kept.

    `new` says that it has to be kept as a telling, `seen` that the last telling has been held
    against the steps as they are now and still says the same. `tell_them` asks the desk for a
    word to the customer; `later_since` is the day from which the computed end has lain beyond
    the told one.
    """

    shown: Shown | None
    new: bool = False
    seen: bool = False
    tell_them: bool = False
    later_since: date | None = None


# ---------------------------------------------------------------- what is computed


def read_points(
    points: str, basis: str, computed_at: int, *, stale: bool, now: int, last_change_at: int
) -> Span | Soon | None:
    """The computed points of an order whose photos have passed, as days from now.

    `points` is JSON, {"10": days, "85": days}, counted from `computed_at`. Gives None where there
    is nothing to go by, and Soon where something has just happened, so that no range from the
    defaults is told in the minute before the computed one comes.
    """
    known = _numbers(points)
    if known is None:
        return None
    # An edit that moved no piece marks the points stale too, but they are as good as before.
    if stale and last_change_at >= computed_at:
        return Soon() if now - last_change_at < RECOMPUTED_WITHIN else None
    passed = max(0.0, (now - computed_at) / DAY)
    if passed > STALE_AFTER_DAYS:
        return None
    low, high = known
    return Span(max(0.0, low - passed), max(0.0, high - passed), basis)


def full_points(points: str, basis: str) -> Span | None:
    """The computed points of an order whose photos have not passed: days from their passing."""
    known = _numbers(points)
    return Span(max(0.0, known[0]), max(0.0, known[1]), basis) if known is not None else None


def _numbers(points: str) -> tuple[float, float] | None:
    try:
        found = json.loads(points)
        low, high = float(found["10"]), float(found["85"])
    except (ValueError, KeyError, TypeError):
        return None
    return (low, high) if math.isfinite(low) and math.isfinite(high) and low <= high else None


def default_range(
    pieces: Sequence[Position], *, blank_on: bool, our_weeks: Weeks | None = None
) -> Span:
    """What is left until the last piece is packed, from the usual and slow stays of the trade, or
    from these stretched to the studio's own usual weeks from the photos' passing on.

    Each stay is taken as log-normal with its usual stay as median and its slow stay as 85 % point;
    their sum as log-normal with the same mean and variance (Fenton 1960, from memory). Of several
    pieces the one furthest from its end counts.
    """
    spans = [_left_of(piece, blank_on) for piece in pieces]
    low, high = max(spans, key=lambda span: span[1], default=(0.0, 0.0))
    if our_weeks is None:
        return Span(low, high, FROM_THE_TRADE)
    whole_low, whole_high = _left_of(Position(Step.FINISHING, 0.0), blank_on)
    low *= 7 * our_weeks[0] / whole_low
    return Span(low, max(low, high * 7 * our_weeks[1] / whole_high), FROM_OUR_WEEKS)


def from_passing(*, blank_on: bool, our_weeks: Weeks | None = None) -> Span:
    """The days from the photos' passing until the last piece is packed, from the defaults."""
    passed = [Position(Step.FINISHING, 0.0)]
    return default_range(passed, blank_on=blank_on, our_weeks=our_weeks)


def _left_of(piece: Position, blank_on: bool) -> tuple[float, float]:
    mean = variance = 0.0
    ahead = BENCHES[BENCHES.index(piece.step) : BENCHES.index(Step.PACKING) + 1]
    for step in ahead:
        if step is Step.BLANK and not blank_on and piece.step is not step:
            continue
        usual = float(STEPS[step].usual)
        sigma = math.log(STEPS[step].slow / usual) / _Z_HIGH
        if step is piece.step:
            # Time spent is taken off, but a piece that has been there for long is not done yet.
            usual = max(usual - piece.age, usual / 4)
        own = usual * math.exp(sigma * sigma / 2)
        mean += own
        variance += (math.exp(sigma * sigma) - 1) * own * own
    if not mean:
        return 0.0, 0.0
    spread = math.log(1 + variance / (mean * mean))
    middle, sigma = math.log(mean) - spread / 2, math.sqrt(spread)
    return math.exp(middle + _Z_LOW * sigma), math.exp(middle + _Z_HIGH * sigma)


def days_of(span: Span, today: date, calendar: Calendar) -> tuple[date, date]:
    """The two days of a span, rounded outward to working days and never before today."""
    first = today + timedelta(days=math.floor(span.low))
    last = today + timedelta(days=max(1, math.ceil(span.high)))
    if first > today and not calendar.is_working_day(first):
        first = max(today, calendar.add_working_days(first, -1))
    if not calendar.is_working_day(last):
        last = calendar.add_working_days(last, 1)
    return first, last


# ---------------------------------------------------------------- what is shown


def decide(
    computed: Span | None,
    told: ToldRange | None,
    *,
    steps_now: int,
    later_since: date | None,
    today: date,
    calendar: Calendar,
    caused_at: int = 0,
    held: HouseHold | None = None,
) -> Decision:
    """What the page says now. Without a computed span what was told stands as long as it can.

    `caused_at` is when something last moved ends without a step (closures, a remake), `held` the
    house's own newest hold.
    """
    first, last = days_of(computed, today, calendar) if computed is not None else (today, None)
    later = told is not None and last is not None and beyond(told, last, calendar)
    if told is not None and held is not None and _ends_the_range(held, told, later):
        return _dropped(told, today, calendar, later_since or today)
    if computed is None:
        return _stands(told, today, calendar, later_since)
    fresh = Shown(first, last, None, computed.basis)
    if told is None:
        return Decision(fresh, new=True)
    moved = told.steps_seen != steps_now
    if moved and not later:
        # An end that is later by less than is worth a word stays: else it would creep unseen.
        as_it_is = (
            told.to_day is not None
            and fresh.to_day is not None
            and fresh.to_day >= told.to_day >= today
        )
        return Decision(_as_shown(told), seen=True) if as_it_is else Decision(fresh, new=True)
    if told.to_day is None or not later:
        return _stands(told, today, calendar, None)
    caused = moved or caused_at > told.at
    return _stands(told, today, calendar, later_since or today, at_once=caused)


def beyond(told: ToldRange, last: date, calendar: Calendar) -> bool:
    """Whether an end lies so far beyond the one last told that the customer should hear."""
    end = told.promised
    if end is None or last <= end:
        return False
    share = (last - end).days / max(1, (end - calendar.day_of(told.at)).days)
    working = calendar.working_days_between(end, last)
    return working > BEYOND_WORKING_DAYS or share > BEYOND_SHARE


def _ends_the_range(held: HouseHold, told: ToldRange, later: bool) -> bool:
    """Whether a hold that came after the telling makes its end one that nobody believes."""
    if told.to_day is None or held.at < told.at:
        return False
    return later or held.soonest is None or held.soonest > told.to_day


def _stands(
    told: ToldRange | None,
    today: date,
    calendar: Calendar,
    later_since: date | None,
    *,
    at_once: bool = False,
) -> Decision:
    """What was told, if it still can be said; else that it takes longer."""
    if told is None:
        return Decision(None)
    if told.to_day is None:
        if told.write_by is not None and told.write_by >= today:
            return Decision(_as_shown(told), tell_them=True, later_since=later_since)
        return _dropped(told, today, calendar, later_since)
    if told.to_day < today:
        return _dropped(told, today, calendar, later_since)
    if later_since is None:
        return Decision(_as_shown(told))
    asked = later_since if at_once else later_since + timedelta(days=DAYS_RUNNING - 1)
    if calendar.working_days_between(asked, today) >= ANSWER_WITHIN:
        return _dropped(told, today, calendar, later_since)
    return Decision(_as_shown(told), tell_them=today >= asked, later_since=later_since)


def as_told(told: ToldRange | None) -> Shown | None:
    """What a telling says, whether or not it still holds."""
    return _as_shown(told) if told is not None else None


def _as_shown(told: ToldRange) -> Shown:
    return Shown(told.from_day, told.to_day, told.write_by, told.basis)


def _dropped(
    told: ToldRange, today: date, calendar: Calendar, later_since: date | None
) -> Decision:
    write_by = calendar.add_working_days(today, WRITE_WITHIN)
    longer = Shown(None, None, write_by, told.basis)
    return Decision(longer, new=True, tell_them=True, later_since=later_since)


# ---------------------------------------------------------------- in words

_COUNTS: Mapping[int, str] = {
    1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six",
    7: "seven", 8: "eight", 9: "nine", 10: "ten", 11: "eleven", 12: "twelve",
}  # fmt: skip


def weeks(low_days: float, high_days: float) -> str:
    """A span in whole weeks, rounded outward: "three to seven weeks", "up to two weeks"."""
    low = math.floor(low_days / 7)
    high = max(1, math.ceil(high_days / 7))
    many = "week" if high == 1 else "weeks"
    if low < 1 or low == high:
        return f"up to {_COUNTS.get(high, str(high))} {many}"
    return f"{_COUNTS.get(low, str(low))} to {_COUNTS.get(high, str(high))} weeks"
