"""What did not come right the first time, from the logs of copies. Pure: no clock, no database.

A making of a copy counts by itself: one that is made again is another. Steps and pieces are
counted, never people. Moments are UTC seconds.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import prod
from typing import Final

from app.flow.rules import Entry, Kind, cause_of, effective, is_finding
from app.flow.stays import stays
from app.flow.steps import CAUSES, MAKING_STEPS, PLACE, STEPS, MoveKey, Of, Step, TimeClass
from app.owner.figures import ENOUGH, WilsonShare
from app.shared.calendar import Calendar

NOT_SAID: Final = "not said"
THEIR_WISH: Final = "not as the customer wished"
_HOUR = 3600


@dataclass(frozen=True, slots=True)
class FirstPass:
    """Of the pieces that left a step for the first time: how many went on with nothing found."""

    step: Step
    share: WilsonShare

    @property
    def name(self) -> str:
        """The step's name on screen."""
        return STEPS[self.step].name


def first_passes(logs: Iterable[Sequence[Entry]], since: int, until: int) -> list[FirstPass]:
    """First-pass yield of each step of the making: passed at the first time there / left there.

    A piece passes when it goes on to a later step and nothing was found while it was there. One
    that was cancelled there is not counted, nor one that left before `since` or after `until`.
    """
    left, passed = Counter[Step](), Counter[Step]()
    for log in logs:
        for step, at, good in _first_visits(effective(log)):
            if since <= at < until:
                left[step] += 1
                passed[step] += good
    return [FirstPass(s, WilsonShare(passed[s], left[s])) for s in MAKING_STEPS if left[s]]


def _first_visits(line: Sequence[Entry]) -> Iterator[tuple[Step, int, bool]]:
    """Each step of the making that a piece has left for the first time, when, and if it passed."""
    step, fault, seen = None, False, set[Step]()
    for entry in line:
        fault = fault or is_finding(entry)
        if entry.kind not in (Kind.ENTER, Kind.MOVE):
            continue
        first = step in MAKING_STEPS and step not in seen
        if step is not None and first and entry.to_step is not Step.CANCELLED:
            onward = entry.to_step is not None and PLACE[entry.to_step] > PLACE[step]
            yield step, entry.happened_at, onward and not fault
        if step is not None:
            seen.add(step)
        step, fault = entry.to_step, False


def rolled(passes: Sequence[FirstPass]) -> float | None:
    """Rolled throughput yield: the product of the steps' first-pass yields, 0 to 1.

    None where a step has too few pieces for a rate.
    """
    if not passes or any(not one.share.enough for one in passes):
        return None
    return prod(one.share.hits / one.share.n for one in passes)


def straight(logs: Iterable[Sequence[Entry]], since: int, until: int) -> WilsonShare:
    """Of the pieces that were handed over: how many had nothing found on their whole way."""
    n = hits = 0
    for line in map(effective, logs):
        out = next((e.happened_at for e in line if e.move == MoveKey.HANDED_OVER), None)
        if out is not None and since <= out < until:
            n += 1
            hits += not any(is_finding(e) and e.happened_at <= out for e in line)
    return WilsonShare(hits, n)


@dataclass(frozen=True, slots=True)
class FoundAt:
    """A finding of the log with what is said beside it.

    `seconds` in hand were spent again because of it, or spent on a piece that was given up;
    `blank` says that a new one was needed, `sent` that the piece goes out again.
    """

    at: int
    step: Step
    what: Kind | MoveKey
    cause: str
    area: str
    kind: str
    by_customer: bool
    seconds: int
    blank: bool
    sent: bool

    @property
    def label(self) -> str:
        """Its area and kind, as the studio's list has them."""
        if self.kind:
            return f"{self.area}: {self.kind}"
        return self.area or (THEIR_WISH if self.by_customer else NOT_SAID)

    @property
    def caused_by(self) -> str:
        """Its cause in words."""
        return CAUSES.get(self.cause, NOT_SAID)


Said = Mapping[int, tuple[str, str, bool]]
"""By entry: area, kind, and whether a customer found it."""


def findings_of(log: Sequence[Entry], said: Said, calendar: Calendar, now: int) -> list[FoundAt]:
    """The findings on one copy, oldest first, each with the time in hand that it cost."""
    line = effective(log)
    places = [(n, e) for n, e in enumerate(line) if is_finding(e)]
    if not places:
        return []
    cost = _seconds(log, [e for _, e in places], calendar, now)
    found = []
    for n, entry in places:
        step = next(e.to_step for e in reversed(line[:n]) if e.to_step and e.kind in _STANDS)
        area, kind, customer = said.get(entry.id, ("", "", PLACE[step] > PLACE[Step.PACKING]))
        what = MoveKey(entry.move) if entry.kind is Kind.MOVE else Kind.FINDING
        found.append(
            FoundAt(
                entry.happened_at, step, what, cause_of(entry), area, kind, customer,
                cost[entry.id], what in _NEW_BLANK, step is Step.HANDED_OVER,
            )
        )  # fmt: skip
    return found


_STANDS = (Kind.ENTER, Kind.MOVE)
_NEW_BLANK = (MoveKey.REMAKE, MoveKey.BACK_TO_BLANK)


def _seconds(
    log: Sequence[Entry], found: Sequence[Entry], calendar: Calendar, now: int
) -> dict[int, int]:
    """Seconds in hand by finding: a step that is gone through again costs the last finding before
    it; a piece that is given up costs the finding all that was not spent again already."""
    cost, seen, first = dict.fromkeys((e.id for e in found), 0), set[Step](), 0
    for stay in stays(Of.COPY, log, calendar, now):
        hands = stay.classes.get(TimeClass.HANDS, 0)
        before = [e for e in found if e.happened_at <= stay.entered]
        if stay.step in seen and before:
            cost[before[-1].id] += hands
        else:
            first += hands
        seen.add(stay.step)
    if found[-1].move == MoveKey.REMAKE:
        cost[found[-1].id] += first
    return cost


@dataclass(frozen=True, slots=True)
class ParetoRow:
    """One of several kinds: how many, its share, and that of it and all before it, 0 to 1."""

    label: str
    number: int
    share: float
    cumulated: float


def pareto(numbers: Mapping[str, int]) -> list[ParetoRow]:
    """Kinds by number, the most first, with their cumulated share."""
    whole, so_far, rows = sum(numbers.values()), 0, []
    for label, number in sorted(numbers.items(), key=lambda one: (-one[1], one[0])):
        so_far += number
        rows.append(ParetoRow(label, number, number / whole, so_far / whole))
    return rows


@dataclass(frozen=True, slots=True)
class Lost:
    """What findings cost: hours in hand, pieces whose material was spent again, sendings again."""

    hours: float
    pieces: int
    sendings: int

    def cost(self, hour: int, piece: int, sending: int) -> float:
        """The sum, at what an hour, a piece and a sending cost. Prevention stands apart."""
        return self.hours * hour + self.pieces * piece + self.sendings * sending


def lost(found: Sequence[FoundAt], came_back: int = 0) -> Lost:
    """What some findings cost; `came_back` pieces came back undelivered and went out again."""
    return Lost(
        sum(one.seconds for one in found) / _HOUR,
        sum(one.blank for one in found),
        sum(one.sent for one in found) + came_back,
    )


@dataclass(frozen=True, slots=True)
class CauseRow:
    """What a cause has to answer for."""

    label: str
    number: int
    pieces: int
    hours: float


def by_cause(found: Sequence[FoundAt]) -> list[CauseRow]:
    """Findings by what caused them, the most first."""
    groups: dict[str, list[FoundAt]] = {}
    for one in found:
        groups.setdefault(one.caused_by, []).append(one)
    rows = [
        CauseRow(label, len(its), lost(its).pieces, lost(its).hours)
        for label, its in groups.items()
    ]
    return sorted(rows, key=lambda row: (-row.number, row.label))


@dataclass(frozen=True, slots=True)
class MonthRow:
    """The findings of a month: what was done about them, and who found them."""

    start: date
    number: int
    here: int
    back: int
    again: int
    by_customer: int
    hours: float


def by_month(
    found: Sequence[FoundAt], starts: Sequence[date], edges: Sequence[int]
) -> list[MonthRow]:
    """Findings by month; `edges` are the moments of `starts`, with that of the month after."""
    rows = []
    for start, begin, end in zip(starts, edges, edges[1:], strict=False):
        its = [one for one in found if begin <= one.at < end]
        here = sum(one.what is Kind.FINDING for one in its)
        again = sum(one.what is MoveKey.REMAKE for one in its)
        customers = sum(one.by_customer for one in its)
        back = len(its) - here - again
        rows.append(MonthRow(start, len(its), here, back, again, customers, lost(its).hours))
    return rows


@dataclass(frozen=True)
class ReworkFigures:
    """All that the page shows."""

    passes: list[FirstPass]
    rolled: float | None
    straight: WilsonShare
    found: list[FoundAt]
    kinds: list[ParetoRow]
    causes: list[CauseRow]
    months: list[MonthRow]
    lost: Lost

    @property
    def enough(self) -> bool:
        """Whether there are enough findings for shares of them."""
        return len(self.found) >= ENOUGH

    @property
    def by_customer(self) -> int:
        """How many a customer found."""
        return sum(one.by_customer for one in self.found)
