"""Working time: whose hands were on which piece, split over the pieces they held together. Pure.

Six pieces in hand at once are normal, and an hour with six of them is an hour of work, not six. So
the working seconds in which somebody holds several pieces are split evenly over these, and the
parts add up to the time in which that person held any, to the second.

A piece that nobody lays down by the end of its day was not worked on through the night: its timer
ends, as assumed, when that day's working hours end. What it had until then is told apart, and no
figure of working time counts it. Whoever lays a piece down the same day, be it after hours, has
said so themselves.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from app.flow.rules import Entry, Kind
from app.flow.steps import Step
from app.shared.calendar import Calendar

_ENDS = frozenset({Kind.START, Kind.ASIDE, Kind.MOVE, Kind.HOLD})


@dataclass(frozen=True, slots=True)
class Held:
    """A piece in somebody's hands at a step, from one moment to another (UTC seconds)."""

    piece: int
    step: Step
    person: int
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Worked:
    """What somebody's hands gave to a piece: their part of the working seconds, and whether these
    are `assumed`, because nobody laid the piece down that day."""

    held: Held
    seconds: int
    assumed: bool


def held_in(piece: int, line: Iterable[Entry], now: int) -> Iterator[Held]:
    """When a piece was in whose hands, from its log in its right form; in hand still means to now.

    Taking a piece over ends what somebody else had begun, and no hands work on what is on hold.
    """
    step: Step | None = None
    taken: Entry | None = None
    paused: Entry | None = None
    for entry in line:
        if taken is not None and step and entry.kind in _ENDS:
            yield Held(piece, step, taken.by or 0, taken.happened_at, entry.happened_at)
        if entry.kind in _ENDS:
            taken, paused = None, taken if entry.kind is Kind.HOLD else None
        if entry.kind is Kind.START:
            # A blank in a batch is in a machine, and in nobody's hands.
            taken = None if step is Step.BLANK else entry
        elif entry.kind is Kind.LIFT and paused is not None:
            taken, paused = replace(entry, by=paused.by), None
        elif entry.kind in (Kind.ENTER, Kind.MOVE):
            step = entry.to_step
    if taken is not None and step:
        yield Held(piece, step, taken.by or 0, taken.happened_at, max(now, taken.happened_at))


def laid_down(held: Held, calendar: Calendar) -> tuple[int, bool]:
    """When the hands were off a piece, and whether that is assumed."""
    day = calendar.day_of(held.start)
    if calendar.day_of(held.end) == day:
        return held.end, False
    hours = calendar.days(day, day)[0].work
    return max(held.start, hours[-1][1] if hours else held.start), True


def split(held: Sequence[Held], calendar: Calendar) -> list[Worked]:
    """The working seconds of each, in the order given; those of one person are split evenly over
    what they hold at the same time. A second that does not divide goes to what was taken first."""
    ends = [laid_down(one, calendar) for one in held]
    seconds = [0] * len(held)
    by_person: dict[int, list[int]] = defaultdict(list)
    for place, one in enumerate(held):
        by_person[one.person].append(place)
    for places in by_person.values():
        _share_out(held, ends, sorted(places, key=lambda p: (held[p].start, p)), seconds, calendar)
    rows = zip(held, seconds, ends, strict=True)
    return [Worked(one, part, assumed) for one, part, (_, assumed) in rows]


def _share_out(
    held: Sequence[Held],
    ends: Sequence[tuple[int, bool]],
    places: Sequence[int],
    seconds: list[int],
    calendar: Calendar,
) -> None:
    """Give each of one person's pieces its part, from change to change of what they hold."""
    changes = [(held[place].start, place) for place in places]
    changes += [(ends[place][0], place) for place in places]
    now: list[int] = []
    before = 0
    for at, place in sorted(changes):
        if now and at > before:
            each, rest = divmod(calendar.working_seconds(before, at), len(now))
            for number, one in enumerate(now):
                seconds[one] += each + (number < rest)
        before = at
        if place in now:
            now.remove(place)
        elif ends[place][0] > held[place].start:
            now.append(place)
