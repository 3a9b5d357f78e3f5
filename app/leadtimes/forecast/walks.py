"""Ranges from walks: each open piece goes on through the steps many times, by the log's own stays.

A walk stays in each step for a time drawn from that step's curve (the first stay given its age so
far), then goes where pieces went that came the same way: a semi-Markov process (Pyke 1961) whose
next step depends on the last two. Stays that ended are known long before whole pieces have, so the
walks speak early in a record; drawn from recent stays alone they follow a drift of the work.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.curves import PRIOR, Hazard, ages_in_step, hazard_of, hazards_by_step
from app.leadtimes.forecast.levels import LEVELS
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.log import Ints
from app.leadtimes.survival import Bools, Floats

WALKS: Final = 200
MOST_WALKERS: Final = 400_000
FEWEST_WALKS: Final = 24
TABLE: Final = 256  # stays are drawn from so many evenly likely lengths
MOST_STAYS: Final = 200
BACKED: Final = 4.0  # pieces' worth by which a way is drawn towards its last step's


@dataclass(frozen=True)
class NextSteps:
    """Where pieces go on to.

    A way is a step and the one before it, numbered by its place in `codes`; `step` is its step.
    From way k the next ways are those of `following` (-1 for the end) whose `share`, running on
    over all ways, lies in (k, k + 1].
    """

    codes: Ints
    following: Ints
    share: Floats
    step: Ints


@dataclass(frozen=True)
class Walks:
    """Stays and ways of a log as known on a day."""

    paths: Paths
    hazards: tuple[Hazard, ...]
    lengths: Floats  # steps x TABLE
    ways: NextSteps
    most: int

    def predict(self, moments: Moments, generator: Generator, walks: int = WALKS) -> Floats:
        """Days that remain, moments x LEVELS, from so many walks of each."""
        count = int(np.clip(MOST_WALKERS // max(len(moments), 1), FEWEST_WALKS, walks))
        # One draw from each of `count` even parts: less noise than free draws.
        part = (np.arange(count) + generator.random((len(moments), count))) / count
        days = self._first_stays(moments, part)
        way = np.searchsorted(self.ways.codes, _codes(self.paths)[moments.stay])
        self._walk_on(days.reshape(-1), np.repeat(way, count), generator)
        found: Floats = np.quantile(days, LEVELS, axis=1, method="hazen").T
        return found

    def _first_stays(self, moments: Moments, share: Floats) -> Floats:
        """What is left of the stay each piece is in, for random shares (moments x walks)."""
        step, age = self.paths.step[moments.stay], ages_in_step(self.paths, moments)
        days = np.empty_like(share)
        for code in np.unique(step):
            mine = step == code
            days[mine] = self.hazards[code].remaining(age[mine], share[mine])
        return days

    def _walk_on(self, days: Floats, way: Ints, generator: Generator) -> None:
        """Add the stays to come to `days`, all walkers a stay at a time."""
        ways, walker = self.ways, np.arange(days.size)
        for _ in range(self.most):
            place = np.searchsorted(ways.share, way + generator.random(way.size), "right")
            way = ways.following[place]
            going = way >= 0
            way, walker = way[going], walker[going]
            if not way.size:
                return
            drawn = generator.integers(0, TABLE, way.size)
            days[walker] += self.lengths[ways.step[way], drawn]


def fit_walks(paths: Paths, now: float, since: float = -np.inf) -> Walks:
    """From the stays begun by `now`; only time under watch and after the day `since` counts.

    Stays of blurred pieces do not: they are not what lies between one step and the next.
    """
    end = np.where(np.isfinite(paths.following), paths.following, paths.ended[paths.piece])
    begun = (paths.entered <= now) & ~paths.blurred[paths.piece]
    seen = (end <= now) & (np.isfinite(paths.following) | paths.finished[paths.piece])
    watched = np.maximum(paths.watched[paths.piece], since)
    exit = np.minimum(end, now) - paths.entered
    entry = np.maximum(watched - paths.entered, -1.0)
    pool = hazard_of(exit[begun], seen[begun], entry[begun])
    hazards = hazards_by_step(
        paths.steps, paths.step[begun], exit[begun], seen[begun], entry[begun], pool, PRIOR
    )
    levels = (np.arange(TABLE) + 0.5) / TABLE
    lengths = np.stack([hazard.whole(levels) for hazard in hazards])
    ways = _ways(paths, begun, seen & begun & (end > watched))
    most = min(4 * int(paths.nth[begun].max(initial=0)) + 4, MOST_STAYS)
    return Walks(paths, hazards, lengths, ways, most)


def _codes(paths: Paths) -> Ints:
    """The way each stay came, as one number: the step before (or none) and the step."""
    code: Ints = (paths.previous + 1) * paths.steps + paths.step
    return code


def _ways(paths: Paths, begun: Bools, done: Bools) -> NextSteps:
    """The ways met so far and where those that are `done` went on to."""
    code = _codes(paths)
    codes = np.unique(code[begun])
    step = codes % paths.steps
    to = np.where(np.isfinite(paths.following), np.roll(paths.step, -1), paths.steps)
    # Whatever left a step, whichever way it had come, tells a little about each way.
    by_step, count = np.unique(np.column_stack((paths.step, to))[done], axis=0, return_counts=True)
    left = np.bincount(paths.step[done], minlength=paths.steps)
    first = np.searchsorted(by_step[:, 0], step, "left")
    size = np.searchsorted(by_step[:, 0], step, "right") - first
    row = np.repeat(first - np.cumsum(size) + size, size) + np.arange(size.sum())
    way = np.repeat(np.arange(codes.size), size)
    own = np.searchsorted(codes, code[done])
    width = paths.steps + 1
    keys = np.concatenate((way * width + by_step[row, 1], own * width + to[done]))
    weight = np.concatenate((BACKED * count[row] / left[by_step[row, 0]], np.ones(own.size)))
    # A way nobody has left yet ends where it is.
    stuck = np.flatnonzero(size == 0)
    keys = np.concatenate((keys, stuck * width + paths.steps))
    weight = np.concatenate((weight, np.ones(stuck.size)))
    key, place = np.unique(keys, return_inverse=True)
    way, target = key // width, key % width
    each = np.bincount(place, weight)
    share = np.cumsum(each / np.bincount(way, each)[way])
    last = np.append(np.flatnonzero(np.diff(way)), way.size - 1)
    share[last] = np.arange(codes.size) + 1.0  # sums of shares round; a way must not leak
    following = np.searchsorted(codes, (step[way] + 1) * paths.steps + target)
    return NextSteps(codes, np.where(target == paths.steps, -1, following), share, step)
