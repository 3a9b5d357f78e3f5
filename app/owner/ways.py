"""The way of each piece that a customer waits for, as arrays: from its order to its handing over.

A piece is a copy, with the steps of the model for which it waited before its own, and with the
remakes that replaced it after. Its seconds by step and time class add up to its lead time exactly.
Pure.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np

from app.flow.steps import ENDS, Step, TimeClass
from app.leadtimes.log import CANCELLED, FINISHED, OPEN
from app.owner.intervals import (
    CLASS_CODE,
    CLASS_LIST,
    NEVER,
    STEP_CODE,
    STEP_LIST,
    Bools,
    Columns,
    Intervals,
    Ints,
    LogEntries,
    classed,
    intervals,
)
from app.owner.spans import WorkAndRest

_ENDS = np.array([step in ENDS for step in STEP_LIST])
_NOT_BEGUN, _PACKING = STEP_CODE[Step.NOT_BEGUN], STEP_CODE[Step.PACKING]
_OUT: Final = (STEP_CODE[Step.HANDED_OVER], STEP_CODE[Step.RECEIVED])


@dataclass(frozen=True)
class CopyWays(Columns):
    """One row a piece, in order of its first copy's id. Moments are epoch seconds.

    `root` is negative where the piece was brought in from before. `started` is when it was
    ordered, `known_from` when the studio came to know of it (the same
    but for imported orders), `ended` 0 while it is open, `sisters` when the
    last of its order's others came to packing (NEVER, or 0 for nobody).
    `step` is where it stands (where its model stands, before it is begun). `seconds` is pieces x
    steps x classes, zero but for finished pieces whose whole way is known (`whole`).
    """

    root: Ints
    order: Ints
    number: Ints
    kind: Any
    remembered: Bools
    started: Ints
    known_from: Ints
    ended: Ints
    outcome: Ints
    step: Ints
    model: Ints
    sisters: Ints
    whole: Bools
    seconds: Ints

    def __len__(self) -> int:
        return int(self.root.size)

    @property
    def imported(self) -> Bools:
        """Which pieces were brought in from before: of their way the two ends are known."""
        return self.root < 0

    @property
    def lead(self) -> Ints:
        """Lead time in seconds, where the piece has ended."""
        return self.ended - self.started


def rows_of(copies: Sequence[Any]) -> dict[int, int]:
    """By copy id, which piece it belongs to, in the order in which `ways` gives them."""
    return _Chain(copies).row_of


def both(one: CopyWays, other: CopyWays) -> CopyWays:
    """Two lots of pieces in one, in order."""
    together = one.with_rows(other)
    return together.take(np.argsort(together.root, kind="stable"))


def ways(copies: Sequence[Any], entries: LogEntries, calendar: WorkAndRest) -> CopyWays:
    """The ways of some copies. `copies` are rows as the store reads them, in order of id."""
    every = intervals(entries)
    firsts = np.flatnonzero(np.append(True, every.piece[1:] != every.piece[:-1])[: len(entries)])
    place = dict(zip(every.piece[firsts].tolist(), firsts.tolist(), strict=True))
    end_of = dict(zip(place, [*firsts.tolist()[1:], len(entries)], strict=False))
    copies = [row for row in copies if 2 * row.id + 1 in place]
    chain = _Chain(copies)
    last_row = _column(end_of[2 * key + 1] - 1 for key in chain.last)
    first_row_of_last = _column(place[2 * key + 1] for key in chain.last)
    first_row = _column(place[2 * key + 1] for key in chain.root)
    step = every.step[last_row]
    # One that ended under way, lost and perhaps made again for a case, had left as it should.
    before = np.where(last_row > first_row_of_last, every.step[last_row - 1], -1)
    left = np.isin(step, _OUT) | (_ENDS[step] & (before == _OUT[0]))
    outcome = np.where(left, FINISHED, np.where(_ENDS[step], CANCELLED, OPEN))
    out_at, packed_at = _latest(every, entries, chain)
    done = outcome == FINISHED
    ended = np.where(done, out_at, np.where(outcome == CANCELLED, every.start[last_row], 0))
    taken = _column(row.taken_at if row.imported else NEVER for row in chain.rows)
    started = np.minimum(every.start[first_row], taken)
    known = _column(row.recorded_at if row.imported else 0 for row in chain.rows)
    whole = done & (known == 0)
    sisters = _sisters(chain.rows, outcome, packed_at)
    seconds = _seconds(every, chain, copies, place, end_of, whole, ended, sisters, calendar)
    _fill_gaps(seconds, whole, ended - started)
    model_row = _column(end_of.get(2 * row.model_id, 0) - 1 for row in chain.rows)
    model_step = np.where(model_row >= 0, every.step[model_row], _NOT_BEGUN)
    return CopyWays(
        root=_column(chain.root),
        order=_column(row.order_id for row in chain.rows),
        number=_column(row.number for row in chain.rows),
        kind=np.array([row.kind for row in chain.rows], dtype=object),
        remembered=np.array([bool(row.remembered) for row in chain.rows], dtype=bool),
        started=started,
        known_from=np.maximum(started, known),
        ended=ended,
        outcome=outcome.astype(np.int64),
        step=np.where(step == _NOT_BEGUN, model_step, step),
        model=_column(row.model_id for row in chain.rows),
        sisters=sisters,
        whole=whole,
        seconds=seconds,
    )


def past_ways(rows: Sequence[Any]) -> CopyWays:
    """Pieces that were brought in, as ways: when they were ordered and when they ended, no more.

    What each of their days went into is not known, so they are never `whole`. A piece's number is
    its id, negative, and so is that of the order with which it came.
    """
    columns: list[Any] = list(zip(*rows, strict=True)) or [[]] * 7
    id_, order, started, ended, gone = (np.array(c, dtype=np.int64) for c in columns[:5])
    none = np.zeros(id_.size, dtype=np.int64)
    cancelled = gone > 0
    return CopyWays(
        root=-id_, order=-order, number=none, kind=np.array(columns[5], dtype=object),
        remembered=np.array(columns[6], dtype=bool), started=started, known_from=started,
        ended=ended, outcome=np.where(cancelled, CANCELLED, FINISHED),
        step=np.where(cancelled, STEP_CODE[Step.CANCELLED], STEP_CODE[Step.HANDED_OVER]),
        model=none, sisters=none, whole=none > 0,
        seconds=np.zeros((id_.size, len(STEP_LIST), len(CLASS_LIST)), dtype=np.int64),
    )  # fmt: skip


def _column(values: Iterable[int]) -> Ints:
    return np.fromiter(values, dtype=np.int64)


class _Chain:
    """Copies and the remakes that replaced them: `root[k]` was first, `last[k]` is last."""

    def __init__(self, copies: Sequence[Any]) -> None:
        self.row_of: dict[int, int] = {}  # copy id to row of the result
        self.root: list[int] = []
        self.last: list[int] = []
        self.rows: list[Any] = []
        for row in copies:
            place = self.row_of.get(row.replaces_id)
            if place is None:
                place = len(self.root)
                self.root.append(row.id)
                self.last.append(row.id)
                self.rows.append(row)
            self.row_of[row.id] = place
            self.last[place] = row.id


def _latest(every: Intervals, entries: LogEntries, chain: _Chain) -> tuple[Ints, Ints]:
    """When each piece was last handed over, and when it last came to packing; 0 where never."""
    out = np.zeros(len(chain.root), dtype=np.int64)
    packed = np.zeros(len(chain.root), dtype=np.int64)
    row_of = np.full(int(every.piece.max(initial=0)) + 1, -1, dtype=np.int64)
    for copy, row in chain.row_of.items():
        row_of[2 * copy + 1] = row
    of = row_of[every.piece] if len(entries) else np.zeros(0, dtype=np.int64)
    for target, step in ((out, _OUT[0]), (packed, _PACKING)):
        mine = (of >= 0) & (entries.step == step)
        np.maximum.at(target, of[mine], entries.at[mine])
    return out, packed


def _sisters(rows: Sequence[Any], outcome: Ints, packed_at: Ints) -> Ints:
    """By piece, when the last of the order's others came to packing: NEVER, or 0 for nobody."""
    when = np.where(outcome == CANCELLED, 0, np.where(packed_at > 0, packed_at, NEVER))
    by_order: dict[int, list[int]] = {}
    for place, row in enumerate(rows):
        by_order.setdefault(row.order_id, []).append(place)
    found = np.zeros(len(rows), dtype=np.int64)
    for places in by_order.values():
        if len(places) > 1 and not rows[places[0]].ship_part:
            for place in places:
                found[place] = max(int(when[other]) for other in places if other != place)
    return found


def _seconds(
    every: Intervals, chain: _Chain, copies: Sequence[Any], place: dict[int, int],
    end_of: dict[int, int], whole: Bools, ended: Ints, sisters: Ints, calendar: WorkAndRest,
) -> Ints:  # fmt: skip
    """Seconds by piece, step and class: the copies' own intervals and their models'."""
    step, start, end = every.step.tolist(), every.start.tolist(), every.end.tolist()
    counted = whole.tolist()
    own: list[_Lot] = []
    lent: list[_Lot] = []
    for row in copies:
        target, first = chain.row_of[row.id], place[2 * row.id + 1]
        if not counted[target]:
            continue
        after = end_of[2 * row.id + 1]
        own.append(_Lot(target, first, after, 0, NEVER))
        model = place.get(2 * row.model_id)
        if step[first] == _NOT_BEGUN and model is not None:
            begun = first
            while begun < after and step[begun] == _NOT_BEGUN:
                begun += 1
            since, until = start[first], end[begun - 1]
            lent.append(_Lot(target, model, end_of[2 * row.model_id], since, until))
            before = place.get(2 * (row.follows_id or 0))
            if before is not None:
                # A version in another pose came of the one before: until then that was waited for.
                came = min(until, start[model])
                lent.append(_Lot(target, before, end_of[2 * row.follows_id], since, came))
    seconds = np.zeros((whole.size, len(STEP_LIST), len(CLASS_LIST)), dtype=np.int64)
    if not own:
        return seconds
    found, of = _clipped(every, [*own, *lent])
    kept = np.flatnonzero(
        (found.end > found.start)
        & (found.step != _NOT_BEGUN)
        & ~_ENDS[found.step]
        & (found.end <= ended[of])
    )
    found, of = found.take(kept), of[kept]
    by_class = classed(found, sisters[of], calendar)
    cells = whole.size * len(STEP_LIST)
    cell = of * len(STEP_LIST) + found.step
    # Sums of whole seconds are exact in a float far beyond any life of a workshop.
    sums = [np.bincount(cell, by_class[:, kind], cells) for kind in range(len(CLASS_LIST))]
    return np.stack(sums, axis=-1).astype(np.int64).reshape(seconds.shape)


class _Lot(NamedTuple):
    """Intervals `first` to `after` go to a piece, as far as they lie between two moments."""

    piece: int
    first: int
    after: int
    since: int
    until: int


def _clipped(every: Intervals, lots: list[_Lot]) -> tuple[Intervals, Ints]:
    piece, first, after, since, until = np.array(lots, dtype=np.int64).T
    many = after - first
    ahead = np.cumsum(many) - many
    rows = np.arange(many.sum()) + np.repeat(first - ahead, many)
    found = every.take(rows)
    start = np.maximum(found.start, np.repeat(since, many))
    end = np.minimum(found.end, np.repeat(until, many))
    return replace(found, start=start, end=end), np.repeat(piece, many)


def _fill_gaps(seconds: Ints, whole: Bools, lead: Ints) -> None:
    """What no interval covers is waiting between steps: the parts add up to the lead time."""
    missing = np.where(whole, lead - seconds.sum(axis=(1, 2)), 0)
    seconds[:, _NOT_BEGUN, CLASS_CODE[TimeClass.WAITING]] += missing
