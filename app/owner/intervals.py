"""Where the seconds of many pieces went, all at once: the same classes as `app.flow.stays`.

An interval is a stretch of a piece in which nothing changed, from one entry of its log to the next.
`app.flow.stays` says the rule for one piece; here it is said in arrays, so that a log of some
hundred thousand entries takes a fraction of a second. A test holds the two together to the second.
Pure.
"""

from dataclasses import dataclass, fields
from typing import Final, Self, TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.flow.rules import Kind
from app.flow.steps import STEPS, Step, TimeClass
from app.owner.spans import WorkAndRest

Ints: TypeAlias = NDArray[np.int64]
Bools: TypeAlias = NDArray[np.bool_]

STEP_LIST: Final = tuple(Step)
STEP_CODE: Final = {str(step): code for code, step in enumerate(STEP_LIST)}
KIND_CODE: Final = {str(kind): code for code, kind in enumerate(Kind)}
CLASS_LIST: Final = tuple(TimeClass)
CLASS_CODE: Final = {kind: code for code, kind in enumerate(CLASS_LIST)}
NEVER: Final = 1 << 60
_BASE = np.array([CLASS_CODE[STEPS[step].waits_for] for step in STEP_LIST])


@dataclass(frozen=True)
class Columns:
    """Fields that are arrays of one length: together they are rows."""

    def take(self, rows: Ints | Bools) -> Self:
        """Some of the rows: a mask, or their places in the order asked for."""
        return type(self)(*(getattr(self, f.name)[rows] for f in fields(self)))

    def with_rows(self, other: Self) -> Self:
        """These rows, then those of another."""
        pairs = ((getattr(self, f.name), getattr(other, f.name)) for f in fields(self))
        return type(self)(*(np.concatenate(pair) for pair in pairs))


@dataclass(frozen=True)
class LogEntries(Columns):
    """Entries of pieces' logs in their right form, by piece and then in order; codes as above.

    `kind` is -1 where an entry changes nothing here: what nobody has asked yet is no question.
    `step` is where an entry leads, or before which a question stops: -1 where it names none;
    `until` is 0 where there is none; `drying` says that a piece was set aside to dry, `again` that
    pictures were asked for anew, `part` that it speaks of a part that is waited for, `batch` that
    it is of a batch of blanks.
    """

    piece: Ints
    kind: Ints
    step: Ints
    at: Ints
    until: Ints
    drying: Bools
    again: Bools
    part: Bools
    batch: Bools

    def __len__(self) -> int:
        return int(self.piece.size)


@dataclass(frozen=True)
class Intervals(Columns):
    """What held from `start` to `end`; a piece's last interval has no length. `rests` is the moment
    to which it is set aside to dry, `packed_rest` that to which it rests before it is packed.
    `batched` says that a batch was noted in the stay, `lacking` that a part is not here: such a
    piece counts as held, too."""

    piece: Ints
    step: Ints
    start: Ints
    end: Ints
    held: Bools
    customer: Bools
    hand: Bools
    rests: Ints
    packed_rest: Ints
    batched: Bools
    lacking: Bools


def _is(entries: LogEntries, *kinds: Kind) -> Bools:
    found: Bools = np.isin(entries.kind, [KIND_CODE[kind] for kind in kinds])
    return found


def intervals(entries: LogEntries) -> Intervals:
    """The interval that each entry begins."""
    size = len(entries)
    fresh = np.ones(size, dtype=bool)
    fresh[1:] = entries.piece[1:] != entries.piece[:-1]
    first = np.maximum.accumulate(np.where(fresh, np.arange(size), 0))

    def latest(set_here: Bools, value: Ints | Bools) -> Ints:
        """The value at the last entry of the piece so far that sets it; 0 before one does."""
        place = np.maximum.accumulate(np.where(set_here, np.arange(size), -1))
        return np.where(place >= first, value[place], 0).astype(np.int64)

    move, enter = _is(entries, Kind.MOVE), _is(entries, Kind.ENTER)
    come = move | enter
    start = _running_latest(entries.at, fresh)
    last = np.append(fresh[1:], True)
    told = latest(_is(entries, Kind.TOLD) | (move & entries.again), ~(move & entries.again))
    taken, aside = _is(entries, Kind.START), _is(entries, Kind.ASIDE)
    out = _is(entries, Kind.FINDING) & entries.batch
    stay = np.cumsum(come)
    batched = np.bincount(stay, taken & entries.batch) > 0 if size else come
    step = latest(come, entries.step)
    asked = _is(entries, Kind.ASK).astype(np.int64) - _is(entries, Kind.ANSWER)
    away = move & (entries.step == STEP_CODE[Step.HANDED_OVER])

    def stopped(opens: Ints) -> Bools:
        """Whether the piece stands where what opens (1) and closes (-1) stops it."""
        found = np.zeros(size, dtype=bool)
        # By the step before which a question stops: -1, which is before all, where it names none.
        for gate in np.unique(entries.step[opens != 0]):
            running = np.cumsum(np.where(entries.step == gate, opens, 0))
            found |= (running > latest(fresh | away, running)) & (step >= gate)
        return found

    lacking = stopped(np.where(entries.part, asked, 0))
    wanted = step == STEP_CODE[Step.PHOTOS_WANTED]
    return Intervals(
        piece=entries.piece,
        step=step,
        start=start,
        end=np.where(last, start, np.append(start[1:], 0)),
        held=lacking | (latest(_is(entries, Kind.HOLD, Kind.LIFT), _is(entries, Kind.HOLD)) > 0),
        customer=stopped(np.where(entries.part, 0, asked)) | (wanted & (told == 0)),
        hand=latest(come | taken | aside | out, taken) > 0,
        rests=latest(come | taken | aside, np.where(aside & entries.drying, entries.until, 0)),
        packed_rest=latest(move & (entries.until > 0), entries.until),
        batched=batched[stay] if size else come,
        lacking=lacking,
    )


def _running_latest(at: Ints, fresh: Bools) -> Ints:
    """The greatest moment of each piece so far."""
    lift = (np.cumsum(fresh) - 1) << 36  # far beyond any epoch second, so that pieces stay apart
    latest: Ints = np.maximum.accumulate(at + lift) - lift
    return latest


def classed(found: Intervals, sisters_ready: Ints, calendar: WorkAndRest) -> Ints:
    """Seconds by interval and time class; a row adds up to its interval's length.

    `sisters_ready` is, by interval, the moment at which the last other piece of the order reached
    packing: NEVER where one has not, 0 where the piece waits for nobody.
    """
    length, base = found.end - found.start, _BASE[found.step]
    customer = found.customer & ~found.held
    carrier = (base == CLASS_CODE[TimeClass.CARRIER]) & ~found.customer & ~found.held
    parts = {
        TimeClass.HOLD: np.where(found.held, length, 0),
        TimeClass.CUSTOMER: np.where(customer, length, 0),
        TimeClass.CARRIER: np.where(carrier, length, 0),
    }
    own = np.flatnonzero(~(found.held | customer | carrier))
    for kind, seconds in _own(found.take(own), sisters_ready[own], calendar).items():
        parts[kind] = np.zeros_like(length)
        parts[kind][own] = seconds
    return np.stack([parts[kind] for kind in CLASS_LIST]).T


def _own(found: Intervals, sisters_ready: Ints, calendar: WorkAndRest) -> dict[TimeClass, Ints]:
    """The rest of the order, rest, machine, closed, queue, hands, waiting: the house's own."""
    start, end = found.start, found.end
    packing = found.step == STEP_CODE[Step.PACKING]
    together = np.where(packing, np.clip(np.minimum(end, sisters_ready) - start, 0, None), 0)
    alone = start + together
    until = np.maximum(found.rests, np.where(packing, found.packed_rest, 0))
    rested = np.minimum(end, np.maximum(alone, until))
    left = end - rested
    base = _BASE[found.step]
    runs = (base == CLASS_CODE[TimeClass.MACHINE]) & (found.hand | ~found.batched)
    machine = runs | np.isin(base, [CLASS_CODE[k] for k in (TimeClass.MACHINE, TimeClass.QUEUE)])
    closed = np.where(runs, 0, calendar.closed.between(rested, end))
    hands = np.where(machine | ~found.hand, 0, calendar.work.between(rested, end))
    return {
        TimeClass.REST_OF_ORDER: together,
        TimeClass.REST: rested - alone,
        TimeClass.MACHINE: np.where(runs, left, 0),
        TimeClass.CLOSED: closed,
        TimeClass.QUEUE: np.where(machine & ~runs, left - closed, 0),
        TimeClass.HANDS: hands,
        TimeClass.WAITING: np.where(machine, 0, left - closed - hands),
    }
