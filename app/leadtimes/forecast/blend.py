"""The forecast that keeps its own record: day after
day it says, remembers, and learns what came of it.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.calibrate import levels_to_read, mapped_levels, stepped
from app.leadtimes.forecast.defaults import Defaults, vague
from app.leadtimes.forecast.forest import TREES
from app.leadtimes.forecast.levels import LEVELS, POINTS, at_levels
from app.leadtimes.forecast.methods import METHODS, PRIOR_WEIGHTS, said_by_all
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.forecast.pool import FEWEST_PIECES, earned_weights, mixed
from app.leadtimes.forecast.record import ForecastRecord, empty_record, known
from app.leadtimes.log import Ints
from app.leadtimes.survival import Floats

_AT_POINTS: Final = np.searchsorted(LEVELS, POINTS - 1e-9)
ENOUGH_PIECES: Final = 20  # finished pieces from which on the history speaks alone


@dataclass
class Blend:
    """The running state over one history; `issue` must be called in order of days.

    `record` holds what every method said at POINTS, `pooled` the weighted average as it was then,
    `told` what was issued after correction (both rows x LEVELS, rows as in the record). `weights`
    are the latest.
    """

    paths: Paths
    generator: Generator
    defaults: Defaults | None = None
    record: ForecastRecord = field(default_factory=lambda: empty_record(len(METHODS)))
    pooled: Floats = field(default_factory=lambda: np.zeros((0, LEVELS.size)))
    told: Floats = field(default_factory=lambda: np.zeros((0, LEVELS.size)))
    steps: Floats = field(default_factory=lambda: np.zeros(LEVELS.size))
    weights: Floats = field(default_factory=lambda: PRIOR_WEIGHTS.copy())
    last_day: float = -np.inf

    def issue(self, now: float, moments: Moments, trees: int = TREES) -> tuple[Floats, Floats]:
        """Ranges for the open pieces on the day `now`: what is told, and what each method said.

        Arrays moments x LEVELS and METHODS x moments x LEVELS, in days. ValueError for a day before
        the last.
        """
        if now < self.last_day:
            raise ValueError("days must come in order")
        said = said_by_all(self.paths, now, moments, self.generator, trees)
        finished = finished_by(self.paths, now)[self.paths.step[moments.stay]]
        pooled, levels = self._learnt(now, said)
        told = at_levels(pooled, levels)
        if (finished < ENOUGH_PIECES).any():
            told = self._with_defaults(now, moments, told, finished)
        self.record = self.record.with_rows(moments, said[:, :, _AT_POINTS])
        self.pooled = np.concatenate((self.pooled, pooled))
        self.told = np.concatenate((self.told, told))
        self.last_day = now
        return told, said

    def _learnt(self, now: float, said: Floats) -> tuple[Floats, Floats]:
        """The pool with the weights earned so far, and the levels to read from it."""
        moments = self.record.moments
        if not len(moments):
            return mixed(said, self.weights), LEVELS
        truth = known(self.paths, moments, now)
        self.weights = earned_weights(self.record, truth, PRIOR_WEIGHTS)
        self.steps = stepped(self.steps, self.paths, moments, self.told, self.last_day, now)
        mapped = LEVELS
        if truth.pieces >= FEWEST_PIECES:
            mapped = mapped_levels(self.paths, moments, self.pooled, now)
        return mixed(said, self.weights), levels_to_read(mapped, self.steps)

    def _with_defaults(self, now: float, moments: Moments, told: Floats, finished: Ints) -> Floats:
        """The defaults' share shrinks evenly from all to none as pieces finish."""
        defaults = self.defaults or vague(self.paths, now)
        share = np.minimum(finished / ENOUGH_PIECES, 1.0)[:, None]
        return share * told + (1 - share) * defaults.predict(self.paths, moments)


def finished_by(paths: Paths, now: float) -> Ints:
    """By step, how many pieces had finished by `now` that tell what comes after it; cancelled ones
    are no evidence of how long things take.

    Of those whose way is not known step by step these are the ones known to have come to it.
    """
    done = paths.finished & (paths.ended <= now)
    whole = int((done & ~paths.blurred).sum())
    come = (paths.blurred & done)[paths.piece] & (paths.visit == 0)
    telling: Ints = whole + np.bincount(paths.step[come], minlength=paths.steps)
    return telling


def basis(finished: int, *, scaled: bool = False) -> str:
    """What a range rests on: the `defaults`, a `blend`
    of them with the history, or the studio's `own`. Defaults that were `scaled` by whole lead times
    are such a blend.
    """
    if finished == 0:
        return "blend" if scaled else "defaults"
    return "blend" if finished < ENOUGH_PIECES else "own"


def rehearsal_days(paths: Paths, until: float, count: int) -> list[float]:
    """Days before `until` on which the blend rehearses,
    to start with a record: from a fifth of the pieces on.
    """
    begun = np.sort(paths.started[paths.started < until])
    ended = np.sort(paths.ended[paths.finished & (paths.ended < until)])
    if ended.size < FEWEST_PIECES:
        return []
    first = max(float(begun[begun.size // 5]), float(ended[min(9, ended.size - 1)]))
    if first >= until:
        return []
    apart = (until - first) / count
    back = np.linspace(until - first, 0, count + 1)[:-1]
    unit = 7.0 if apart >= 5 else 1.0 if apart >= 0.7 else 0.0
    if unit:  # as landmarks lie: on the weekday, or at the hour, of what is asked
        back = np.unique(np.floor(back / unit + 1e-9))[::-1] * unit
    days: list[float] = (until - back[back > 0]).tolist()
    return days
