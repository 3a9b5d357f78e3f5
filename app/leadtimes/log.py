"""The stays of a whole log as arrays of one length, and its pieces.

Times are UTC epoch seconds as float64, `left` nan while a stay is open. What a month or a day is
depends on the studio's zone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.leadtimes.survival import Floats

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
    `watched_from` says of each stay from when on its piece was under watch (epoch
    seconds, nan from the start); None where all were, always. `blurred` says of each stay that
    its piece's way is not known step by step: when it came to `step` is known, where it was until
    the next entry is not. `marks` are further columns by stay: what was known of it when it was
    entered, nan for unknown.
    """

    piece: Ints
    step: Ints
    entered: Floats
    left: Floats
    outcome: Ints
    steps: tuple[str, ...]
    watched_from: Floats | None = None
    marks: Mapping[str, Floats] = field(default_factory=dict)
    blurred: NDArray[np.bool_] | None = None

    def __len__(self) -> int:
        return int(self.piece.size)


@dataclass(frozen=True)
class Cases:
    """One entry a piece, in order of piece: first entry, end (nan while open) and how it ended."""

    piece: Ints
    started: Floats
    ended: Floats
    outcome: Ints


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
    blurred: ArrayLike | None = None,
) -> StayLog:
    """A log from stays in any order; a piece has ended when none of its stays is open.

    It ended when its last stay was left, cancelled if that stay (or a later mark on the piece) says
    so. `watched_from`, `marks` and `blurred` have one entry a stay and are those of StayLog.
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
        blurred=None if blurred is None else np.asarray(blurred, dtype=bool)[order],
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
