"""The stays of a whole log as arrays of one length, kept and topped up from the last transition.

Times are UTC epoch seconds as float64, `left` nan while a stay is open. What a month or a day is
depends on the studio's zone, so edges of months and days come in as epoch seconds too.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.leadtimes.statistics import quantiles
from app.leadtimes.survival import Curve, Floats, kaplan_meier

Ints: TypeAlias = NDArray[np.int64]

OPEN: Final = 0
MOVED: Final = 1
FINISHED: Final = 2
CANCELLED: Final = 3

DAY: Final = 86_400.0


@dataclass(frozen=True)
class StayLog:
    """One entry a stay, in order of piece and then of entering; `step` indexes `steps`.

    `outcome` is OPEN, MOVED (to the next stay), FINISHED or CANCELLED (the piece's end).
    `last_transition` is the greatest transition number taken in, 0 for a log that was not made from
    transitions. `watched_from` says of each stay from when on its piece was under watch (epoch
    seconds, nan from the start); None where all were, always. `marks` are further columns by stay:
    what was known of it when it was entered, nan for unknown.
    """

    piece: Ints
    step: Ints
    entered: Floats
    left: Floats
    outcome: Ints
    steps: tuple[str, ...]
    last_transition: int = 0
    watched_from: Floats | None = None
    marks: Mapping[str, Floats] = field(default_factory=dict)

    def __len__(self) -> int:
        return int(self.piece.size)


@dataclass(frozen=True)
class Transitions:
    """Moves of pieces as the log has them, one entry
    a move: into `step` at `happened` (epoch seconds).
    """

    number: Ints
    piece: Ints
    step: Ints
    happened: Floats


@dataclass(frozen=True)
class Cases:
    """One entry a piece, in order of piece: first entry, end (nan while open) and how it ended."""

    piece: Ints
    started: Floats
    ended: Floats
    outcome: Ints

    @property
    def lead_time(self) -> Floats:
        """Elapsed seconds from first entry to the end, nan while open."""
        return self.ended - self.started


def empty_log(steps: Sequence[str]) -> StayLog:
    """A log that knows its steps and nothing else."""
    none, never = np.zeros(0, dtype=np.int64), np.zeros(0)
    return StayLog(none, none, never, never, none, tuple(steps))


def make_log(
    piece: ArrayLike,
    step: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    cancelled: ArrayLike | None = None,
    *,
    steps: Sequence[str],
    watched_from: ArrayLike | None = None,
    marks: Mapping[str, ArrayLike] | None = None,
) -> StayLog:
    """A log from stays in any order; a piece has ended when none of its stays is open.

    It ended when its last stay was left, cancelled if that stay (or a later mark on the piece) says
    so. `watched_from` and `marks` have one entry a stay and are those of StayLog.
    """
    pieces, come = np.asarray(piece, dtype=np.int64), np.asarray(entered, dtype=float)
    order = np.lexsort((come, pieces))
    gone = np.asarray(left, dtype=float)[order]
    given_up = (
        np.zeros(pieces.size, dtype=bool)
        if cancelled is None
        else np.asarray(cancelled, dtype=bool)
    )
    pieces = pieces[order]
    return StayLog(
        pieces, np.asarray(step, dtype=np.int64)[order], come[order], gone,
        _outcomes(pieces, gone, given_up[order]), tuple(steps),
        watched_from=None if watched_from is None else np.asarray(watched_from, dtype=float)[order],
        marks={name: np.asarray(mark, dtype=float)[order] for name, mark in (marks or {}).items()},
    )  # fmt: skip


def cases(log: StayLog) -> Cases:
    """The pieces of a log."""
    first = _firsts(log.piece)
    whole = (
        np.maximum.reduceat(np.where(log.outcome >= FINISHED, log.outcome, 0), first)
        if len(log)
        else log.piece
    )
    last_left = np.fmax.reduceat(log.left, first) if len(log) else log.left
    ended = np.where(whole > 0, last_left, np.nan)
    return Cases(log.piece[first], log.entered[first], ended, whole)


def top_up(
    log: StayLog, moves: Transitions, finished: Collection[int], cancelled: Collection[int]
) -> StayLog:
    """The log with later transitions taken in; steps in `finished` and `cancelled` end a piece.

    Only transitions numbered above `log.last_transition` are read. ValueError where one happened
    before its piece's last stay began: a correction reached back, and the log is to be made anew
    from all transitions. ValueError, too, for a log with marks or with pieces that came under watch
    late: transitions alone do not tell those.
    """
    if log.marks or log.watched_from is not None:
        raise ValueError("marks and watches are not in the transitions: make the log anew")
    new = moves.number > log.last_transition
    if not new.any():
        return log
    ends = np.array(sorted({*finished, *cancelled}), dtype=np.int64)
    number, piece, step, happened = (
        column[new] for column in (moves.number, moves.piece, moves.step, moves.happened)
    )
    still = log.outcome == OPEN
    every_piece = np.concatenate((log.piece[still], piece))
    every_step = np.concatenate((log.step[still], step))
    every_time = np.concatenate((log.entered[still], happened))
    every_number = np.concatenate((np.zeros_like(log.piece[still]), number))
    order = np.lexsort((every_number, every_time, every_piece))
    _refuse_reaching_back(every_piece[order], every_number[order])
    if np.isin(piece, log.piece[log.outcome >= FINISHED]).any():
        raise ValueError("a piece moved on after its end: make the log anew")
    stays = _chain(every_piece[order], every_step[order], every_time[order], ends, set(cancelled))
    return _joined(log, ~still, stays, int(number.max()))


def cumulative_flow(log: StayLog, when: ArrayLike) -> Ints:
    """How many pieces are in each step at each time: steps x times, entered <= time < left."""
    times = np.asarray(when, dtype=float)
    counts = np.zeros((len(log.steps), times.size), dtype=np.int64)
    for code in range(len(log.steps)):
        mine = log.step == code
        come, gone = np.sort(log.entered[mine]), np.sort(log.left[mine])  # nan sorts last
        counts[code] = np.searchsorted(come, times, "right") - np.searchsorted(gone, times, "right")
    return counts


@dataclass(frozen=True)
class Split:
    """Mean days of a lead time by class of time; whole
    seconds inside, so that the parts add up exactly.
    """

    seconds: Ints
    pieces: int

    @property
    def days(self) -> Floats:
        """Mean days in each class."""
        parts: Floats = self.seconds / (self.pieces * DAY)
        return parts

    def rounded(self, per_day: int = 10) -> Ints:
        """The parts in 1/per_day days, adding up to the rounded whole (largest remainder)."""
        exact = self.days * per_day
        whole = np.floor(exact).astype(np.int64)
        missing = int(np.rint(exact.sum())) - int(whole.sum())
        order = np.argsort(-(exact - whole), kind="stable")
        whole[order[:missing]] += 1
        return whole


def mean_split(piece: ArrayLike, kind: ArrayLike, seconds: ArrayLike, kinds: int) -> Split:
    """Mean split of lead times: rows are pieces of time
    of one class (0 ... kinds - 1), in whole seconds.

    A piece's rows cover its lead time once, so the parts' sum is the mean lead time exactly (a
    mean, because medians do not add up). ValueError without any piece.
    """
    pieces = int(np.unique(np.asarray(piece)).size)
    if pieces == 0:
        raise ValueError("nothing to split: no piece")
    totals = np.zeros(kinds, dtype=np.int64)
    np.add.at(totals, np.asarray(kind, dtype=np.int64), np.asarray(seconds, dtype=np.int64))
    return Split(totals, pieces)


@dataclass(frozen=True)
class Month:
    """Lead times of the pieces that finished in one month, in days; the points are of type 1."""

    start: float
    days: Floats
    median: float | None
    slow: float | None


def by_month_of_finishing(log: StayLog, edges: ArrayLike) -> list[Month]:
    """Finished pieces by the month of their end; `edges`
    are the months' first moments and the last's end.

    It answers "what left in May had taken how long" and says nothing of what is still open.
    """
    pieces = cases(log)
    done = pieces.outcome == FINISHED
    bounds = np.asarray(edges, dtype=float)
    place = np.searchsorted(bounds, pieces.ended[done], "right") - 1
    days = pieces.lead_time[done] / DAY
    months = []
    for number, start in enumerate(bounds[:-1].tolist()):
        mine = np.sort(days[place == number])
        points = quantiles(mine, [0.5, 0.85], 1).tolist() if mine.size else [None, None]
        months.append(Month(start, mine, points[0], points[1]))
    return months


def by_month_of_starting(log: StayLog, edges: ArrayLike, now: float) -> list[Curve]:
    """One curve (days) for the pieces that started
    in each month, open and cancelled ones censored.
    """
    pieces = cases(log)
    bounds = np.asarray(edges, dtype=float)
    place = np.searchsorted(bounds, pieces.started, "right") - 1
    days = (np.where(np.isnan(pieces.ended), now, pieces.ended) - pieces.started) / DAY
    done = pieces.outcome == FINISHED
    return [kaplan_meier(days[place == n], done[place == n]) for n in range(bounds.size - 1)]


def _firsts(pieces: Ints) -> Ints:
    differs = np.ones(pieces.size, dtype=bool)
    differs[1:] = pieces[1:] != pieces[:-1]
    return np.flatnonzero(differs)


def _outcomes(piece: Ints, left: Floats, cancelled: NDArray[np.bool_]) -> Ints:
    """MOVED and OPEN by `left`; on the stay of an ended piece that was left last, how it ended."""
    outcome = np.where(np.isnan(left), OPEN, MOVED).astype(np.int64)
    if not piece.size:
        return outcome
    first = _firsts(piece)
    counts = np.diff(np.append(first, piece.size))
    still_open = np.repeat(np.logical_or.reduceat(np.isnan(left), first), counts)
    given_up = np.repeat(np.logical_or.reduceat(cancelled, first), counts)
    latest = np.lexsort((np.arange(piece.size), np.nan_to_num(left, nan=np.inf), piece))
    last = latest[np.append(first[1:], piece.size) - 1]
    last = last[~still_open[last]]
    outcome[last] = np.where(given_up[last], CANCELLED, FINISHED)
    return outcome


_Stays: TypeAlias = tuple[Ints, Ints, Floats, Floats, Ints]


def _chain(piece: Ints, step: Ints, time: Floats, ends: Ints, cancelled: set[int]) -> _Stays:
    """Stays from moves in order: each lasts until the piece's next move; end steps are no stays."""
    same = np.append(piece[1:] == piece[:-1], False)
    left = np.where(same, np.append(time[1:], np.nan), np.nan)
    following = np.where(same, np.append(step[1:], -1), -1)
    outcome = np.where(same, MOVED, OPEN)
    final = np.append(same[1:], False) < same  # the move after this stay is the piece's last
    outcome[final & np.isin(following, ends)] = FINISHED
    outcome[final & np.isin(following, np.array(sorted(cancelled), dtype=np.int64))] = CANCELLED
    stays = ~np.isin(step, ends)
    return piece[stays], step[stays], time[stays], left[stays], outcome[stays]


def _joined(log: StayLog, kept: NDArray[np.bool_], stays: _Stays, last: int) -> StayLog:
    piece = np.concatenate((log.piece[kept], stays[0]))
    entered = np.concatenate((log.entered[kept], stays[2]))
    place = np.arange(piece.size)  # at one moment, what was known first comes first
    order = np.lexsort((place, entered, piece))
    return StayLog(
        piece[order],
        np.concatenate((log.step[kept], stays[1]))[order],
        entered[order],
        np.concatenate((log.left[kept], stays[3]))[order],
        np.concatenate((log.outcome[kept], stays[4]))[order],
        log.steps,
        last,
    )


def _refuse_reaching_back(piece: Ints, number: Ints) -> None:
    """Within a piece, what is already in the log (number 0) must come before what is new."""
    after_new = (number[1:] == 0) & (piece[1:] == piece[:-1]) & (number[:-1] > 0)
    if after_new.any():
        raise ValueError("a transition reaches back behind the log: make the log anew")
