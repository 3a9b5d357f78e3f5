"""Stays and their time classes, derived from a piece's log by one pure function.

Nothing here is stored. The seconds of a stay's classes add up to its length exactly, over the
clock change too, because every class is a difference of moments.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from app.flow.rules import BATCH, DRYING, Entry, Kind, State, after, effective
from app.flow.steps import ENDS, STEPS, Of, Step, TimeClass
from app.shared.calendar import Calendar

Interval = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Stay:
    """A piece in a step: entered → left with an outcome, or still open (`left` is None).

    `classes` holds seconds by time class; they add up to `left - entered`, or to `now - entered`.
    """

    step: Step
    entered: int
    left: int | None
    outcome: str
    classes: dict[TimeClass, int] = field(default_factory=dict)

    def seconds(self) -> int:
        """The length of the stay, up to now where it is open."""
        return sum(self.classes.values())


def stays(
    of: Of,
    log: Sequence[Entry],
    calendar: Calendar,
    now: int,
    rest_of_order: Sequence[Interval] = (),
) -> list[Stay]:
    """Every stay of a piece, oldest first.

    `rest_of_order` holds the intervals in which a packed copy waits for its sisters; they come
    from the other pieces of the order.
    """
    found: list[Stay] = []
    classes: dict[TimeClass, int] = {}
    line = effective(log)
    batched = _batched(line)
    for state, start, end, leaving, last in _intervals(of, line, now):
        runs = _runs(state, noted=len(found) in batched)
        for kind, seconds in _classes(state, start, end, calendar, rest_of_order, runs=runs):
            if seconds:
                classes[kind] = classes.get(kind, 0) + seconds
        if leaving is not None or last:
            left = end if leaving is not None else None
            outcome = leaving.move if leaving is not None else ""
            found.append(Stay(state.step, state.entered_at, left, outcome, classes))
            classes = {}
    return found


def _batched(line: Sequence[Entry]) -> set[int]:
    """The stays, counted from 0, in which a batch was noted."""
    stay, found = -1, set()
    for entry in line:
        if entry.kind in (Kind.ENTER, Kind.MOVE):
            stay += 1
        elif entry.kind is Kind.START and entry.move == BATCH:
            found.add(stay)
    return found


def _runs(state: State, *, noted: bool) -> bool:
    """Whether a machine runs on the piece, and does not only stand ahead of it.

    Where no batch was noted, nobody knows when the blank lay in the machine: all of it counts.
    """
    return STEPS[state.step].waits_for is TimeClass.MACHINE and (state.in_hand or not noted)


def _intervals(
    of: Of, line: Sequence[Entry], now: int
) -> Iterator[tuple[State, int, int, Entry | None, bool]]:
    """Stretches in which nothing changed: the state, its two moments, the move that ended it.

    Taking in hand is a change within a stay: only a move ends one. The last stretch of an open
    piece reaches to now.
    """
    state: State | None = None
    for entry in line:
        if state is not None and state.step not in ENDS:
            moved = entry if entry.kind is Kind.MOVE else None
            yield state, state.last_at, entry.happened_at, moved, False
        state = after(of, state, entry)
    if state is not None and state.open:
        yield state, state.last_at, max(now, state.last_at), None, True


def _classes(
    state: State,
    start: int,
    end: int,
    calendar: Calendar,
    rest_of_order: Sequence[Interval],
    *,
    runs: bool,
) -> Iterator[tuple[TimeClass, int]]:
    """The first class that applies, for each part of a stretch."""
    facts = STEPS[state.step]
    if state.held or state.lacking:
        # A part that is not here is a supplier's, as a hold on a supplier's account is.
        yield TimeClass.HOLD, end - start
    elif state.asked or (facts.waits_for is TimeClass.CUSTOMER and state.told_at is None):
        yield TimeClass.CUSTOMER, end - start
    elif facts.waits_for is TimeClass.CARRIER:
        yield TimeClass.CARRIER, end - start
    else:
        together, alone = _split(start, end, rest_of_order if state.step is Step.PACKING else ())
        yield TimeClass.REST_OF_ORDER, sum(b - a for a, b in together)
        for a, b in alone:
            yield from _own_classes(state, a, b, calendar, runs=runs)


def _own_classes(
    state: State, start: int, end: int, calendar: Calendar, *, runs: bool
) -> Iterator[tuple[TimeClass, int]]:
    """Rest, machine, closed, queue, hands, waiting: what is the piece's own doing."""
    rested = min(end, max(start, _rests_until(state)))
    yield TimeClass.REST, rested - start
    if runs:
        yield TimeClass.MACHINE, end - rested
        return
    closed = calendar.closed_seconds(rested, end)
    yield TimeClass.CLOSED, closed
    if STEPS[state.step].waits_for in (TimeClass.QUEUE, TimeClass.MACHINE):
        yield TimeClass.QUEUE, end - rested - closed
        return
    hands = calendar.working_seconds(rested, end) if state.in_hand else 0
    yield TimeClass.HANDS, hands
    yield TimeClass.WAITING, end - rested - closed - hands


def _rests_until(state: State) -> int:
    drying = state.aside_until if state.aside_reason == DRYING else None
    resting = state.rests_until if state.step is Step.PACKING else None
    return max(drying or 0, resting or 0)


def _split(
    start: int, end: int, intervals: Iterable[Interval]
) -> tuple[list[Interval], list[Interval]]:
    """The parts of [start, end) inside and outside of some intervals."""
    inside: list[Interval] = []
    outside: list[Interval] = []
    at = start
    for a, b in sorted(intervals):
        a, b = max(a, at), min(b, end)
        if a >= b:
            continue
        if at < a:
            outside.append((at, a))
        inside.append((a, b))
        at = b
    if at < end:
        outside.append((at, end))
    return inside, outside
