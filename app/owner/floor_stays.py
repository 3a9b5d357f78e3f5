"""Stays of the log in arrays: what was worked on a piece, and how long it lay and why. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.flow.rules import Kind
from app.flow.steps import BENCHES, TimeClass
from app.owner.floor_hands import NOBODY, Presence, Starts, attention, holders, nobody_free
from app.owner.intervals import (
    CLASS_LIST,
    KIND_CODE,
    STEP_CODE,
    Bools,
    Columns,
    Intervals,
    Ints,
    LogEntries,
    classed,
)
from app.owner.spans import WorkAndRest


@dataclass(frozen=True)
class Stays(Columns):
    """Stays in arrays: step, entry and leaving; working seconds in hand, and those that it lay
    before and after it was first taken in hand, while somebody was free and while nobody was;
    whether it was in hand at all, and the step that came next (-1 where none did yet). `waiting` is
    the time class of that name, in seconds by the clock, and `waiting_open` its working seconds.
    """

    piece: Ints
    step: Ints
    entered: Ints
    left: Ints
    hands: Ints
    before: Ints
    after: Ints
    before_busy: Ints
    after_busy: Ints
    taken: Ints
    following: Ints
    waiting: Ints
    waiting_open: Ints

    @property
    def ended(self) -> Bools:
        """The stays that are over."""
        return np.asarray(self.following >= 0)


@dataclass(frozen=True)
class Asides(Columns):
    """Times that pieces were set aside until a moment: the step, working seconds from that moment
    until the piece had left the step, and the moment at which it had.
    """

    step: Ints
    later: Ints
    left: Ints

    @property
    def ended(self) -> Bools:
        """All of them."""
        return np.ones(self.step.size, dtype=bool)


def asides(entries: LogEntries, found: Intervals, calendar: WorkAndRest) -> Asides:
    """What came of pieces that were set aside, of stays that have ended."""
    come = np.isin(entries.kind, [KIND_CODE[Kind.ENTER], KIND_CODE[Kind.MOVE]])
    following = np.searchsorted(np.flatnonzero(come), np.arange(come.size), "right")
    first = np.append(np.flatnonzero(come), come.size)[following]
    inside = np.minimum(first, come.size - 1)
    ended = (first < come.size) & (found.piece[inside] == found.piece)
    some = np.flatnonzero((entries.kind == KIND_CODE[Kind.ASIDE]) & (entries.until > 0) & ended)
    left = found.start[inside[some]]
    later = calendar.work.between(np.minimum(entries.until[some], left), left)
    return Asides(found.step[some], later, left)


def stays(
    entries: LogEntries, found: Intervals, sisters: Ints, calendar: WorkAndRest,
    starts: Starts, does: Mapping[int, frozenset[str]], there: Mapping[int, Presence],
) -> Stays:  # fmt: skip
    """The stays of a log, open ones too. `sisters` is by interval, as `classed` wants it; `does`
    says who does which steps.
    """
    come = np.isin(entries.kind, [KIND_CODE[Kind.ENTER], KIND_CODE[Kind.MOVE]])
    of = np.cumsum(come) - 1
    first = np.flatnonzero(come)
    by_class = classed(found, sisters, calendar)
    hands, lay, busy = _hands_and_lay(found, by_class, calendar, starts, does, there)
    waiting, waiting_open = _waiting(found, by_class, calendar)
    in_hand = found.hand.astype(np.int64)
    so_far = np.cumsum(in_hand) - (np.cumsum(in_hand) - in_hand)[first][of]
    taken = so_far > 0
    ends = np.append(first[1:], come.size)
    same = np.append(found.piece[first[1:]] == found.piece[first[:-1]], False)
    return Stays(
        piece=found.piece[first],
        step=found.step[first],
        entered=found.start[first],
        left=np.where(same, found.start[np.minimum(ends, come.size - 1)], found.end[ends - 1]),
        hands=np.bincount(of, hands).astype(np.int64),
        before=np.bincount(of, np.where(taken, 0, lay)).astype(np.int64),
        after=np.bincount(of, np.where(taken, lay, 0)).astype(np.int64),
        before_busy=np.bincount(of, np.where(taken, 0, busy)).astype(np.int64),
        after_busy=np.bincount(of, np.where(taken, busy, 0)).astype(np.int64),
        taken=np.bincount(of, in_hand).astype(np.int64),
        following=np.where(same, found.step[np.append(first[1:], 0)], -1),
        waiting=np.bincount(of, waiting).astype(np.int64),
        waiting_open=np.bincount(of, waiting_open).astype(np.int64),
    )


def _waiting(found: Intervals, by_class: Ints, calendar: WorkAndRest) -> tuple[Ints, Ints]:
    """By interval the seconds that the piece waited for somebody, and the working ones of them:
    while somebody has it in hand, only its nights are waiting."""
    waiting = by_class[:, CLASS_LIST.index(TimeClass.WAITING)]
    worked = by_class[:, CLASS_LIST.index(TimeClass.HANDS)] > 0
    before = sum(
        by_class[:, CLASS_LIST.index(kind)] for kind in (TimeClass.REST_OF_ORDER, TimeClass.REST)
    )
    open_ = calendar.work.between(np.minimum(found.start + before, found.end), found.end)
    return waiting, np.where(worked | (waiting == 0), 0, open_)


def _hands_and_lay(
    found: Intervals, by_class: Ints, calendar: WorkAndRest,
    starts: Starts, does: Mapping[int, frozenset[str]], there: Mapping[int, Presence],
) -> tuple[NDArray[np.float64], Ints, Ints]:  # fmt: skip
    """By interval the working seconds in hand, and those that the piece lay while hands were free
    and while none were.

    Time on hold is neither: pieces on hold are left out of the simulation. Those that wait for a
    part are not, and lie there like any other.
    """
    own = by_class[:, CLASS_LIST.index(TimeClass.REST_OF_ORDER)]
    rest = by_class[:, CLASS_LIST.index(TimeClass.REST)]
    worked = by_class[:, CLASS_LIST.index(TimeClass.HANDS)] > 0
    start, end = calendar.work.until(found.start), calendar.work.until(found.end)
    waits = calendar.work.until(found.start + own + rest)
    who = holders(found, starts)
    held_by = frozenset().union(*does.values())
    keeps = worked & np.isin(found.step, [STEP_CODE[step] for step in held_by])
    hands = np.where(worked, end - start, 0).astype(np.float64)
    for account in np.unique(who[keeps & (who != NOBODY)]).tolist():
        mine = np.flatnonzero(keeps & (who == account))
        spans = there[account].spans if account in there else calendar.work
        hands[mine] = attention(spans.until(found.start[mine]), spans.until(found.end[mine]))
    # The rest of an order is simulated itself, so that waiting for it is no time of its own.
    parked = found.held & ~found.lacking
    lay = np.where(worked | parked, 0, end - calendar.work.until(found.start + own))
    busy, stopped = np.zeros_like(lay), found.customer | found.lacking
    for step in BENCHES:
        crew = [account for account, steps in does.items() if str(step) in steps]
        here = np.flatnonzero((found.step == STEP_CODE[step]) & (lay > 0) & ~stopped)
        if crew and here.size:
            taken = nobody_free(
                start[keeps], end[keeps], who[keeps], crew, there, calendar.work
            )  # fmt: skip
            busy[here] = taken.between(waits[here], end[here])
    return hands, lay - busy, busy
