"""The week ahead put together: what falls on each day, and what should move on. Pure."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby

from app.flow.steps import STEPS, Step, our_benches
from app.orders.benches.lines import OpenPiece
from app.shared.calendar import DAY, Calendar
from app.shared.web import words

DAYS = 7
DayOf = Callable[[int], date]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that falls on a day: what (in words), and the order it is about (0 for none)."""

    day: date
    what: str
    order: int = 0


@dataclass(frozen=True, slots=True)
class WeekDay:
    """A day, whether nobody works on it, and what falls on it."""

    day: date
    works: bool
    events: Sequence[Event]


@dataclass(frozen=True, slots=True)
class Due:
    """A piece that should move on, and the day on which its stay reaches the usual one."""

    piece: OpenPiece
    day: date


@dataclass(frozen=True, slots=True)
class Moves:
    """A step, where its pieces go next, those that should have moved on by now, and those whose
    stay reaches the usual one this week, day by day."""

    name: str
    onward: str
    usual: float
    by_now: Sequence[Due]
    later: Sequence[tuple[date, Sequence[Due]]]


def week_days(
    events: Iterable[Event], calendar: Calendar, today: date
) -> tuple[list[Event], list[WeekDay]]:
    """What should have been before today, and the seven days from today on. What falls on one day
    keeps the order in which it is given."""
    known = sorted(events, key=lambda event: event.day)
    days = [
        WeekDay(day, calendar.is_working_day(day), [event for event in known if event.day == day])
        for day in (today + timedelta(days=n) for n in range(DAYS))
    ]
    return [event for event in known if event.day < today], days


def machine_ends(
    pieces: Iterable[OpenPiece], day_of: DayOf, clock: Callable[[int], str]
) -> list[Event]:
    """When machines should be done: one event for what ends together on one machine."""
    running = sorted(
        (p.machine, p.build_ends_at, p.step, p.code)
        for p in pieces
        if p.build_ends_at is not None and p.step in (Step.BUILDING, Step.BLANK)
    )
    found = []
    for (machine, at, step), same in groupby(running, key=lambda one: one[:3]):
        assert at is not None
        codes = words.listed([code for *_, code in same])
        what = "the batch with " if step == Step.BLANK else "the build of "
        on = f" on {machine}" if machine else ""
        found.append(Event(day_of(at), f"{clock(at)}: {what}{codes} ends{on}"))
    return found


def holds(pieces: Iterable[OpenPiece]) -> list[Event]:
    """Pieces on hold that are to be looked at again on a day."""
    return [
        Event(
            date.fromisoformat(p.hold_look_on),
            f"look at {p.code} {p.animal} again, on hold: {p.hold_reason}".rstrip(": "),
            p.order_number,
        )
        for p in pieces
        if p.hold_whose and p.hold_look_on
    ]


def moves(
    pieces: Iterable[OpenPiece],
    pace: Mapping[Step, tuple[float, float, bool]],
    calendar: Calendar,
    now: int,
    *,
    blank_on: bool,
) -> list[Moves]:
    """By step, what should move on: a piece when its stay reaches the usual one, and no sooner than
    what it is set aside for is over. What is on hold, or waits for a customer, is left out.
    """
    today = calendar.day_of(now)
    line = our_benches(blank_on=blank_on)
    found = []
    for step in line:
        usual = pace[step][0]
        here = [p for p in pieces if p.step == step and not p.hold_whose and not p.stopped]
        due = sorted(
            (Due(p, _due(p, usual, calendar)) for p in here),
            key=lambda one: (one.day, one.piece.entered_at, one.piece.code),
        )
        last = today + timedelta(days=DAYS - 1)
        later = [one for one in due if today < one.day <= last]
        found.append(
            Moves(
                STEPS[step].name,
                _onward(step, line),
                usual,
                [one for one in due if one.day <= today],
                [(day, list(same)) for day, same in groupby(later, key=lambda one: one.day)],
            )
        )
    return [one for one in found if one.by_now or one.later]


def _due(piece: OpenPiece, usual: float, calendar: Calendar) -> date:
    at = piece.entered_at + round(usual * DAY)
    at = max(at, piece.aside_until or 0, piece.build_ends_at or 0)
    day = calendar.day_of(at)
    return day if calendar.is_working_day(day) else calendar.add_working_days(day, 1)


def _onward(step: Step, line: Sequence[Step]) -> str:
    at = line.index(step) + 1
    return STEPS[line[at]].name if at < len(line) else "out of the house"
