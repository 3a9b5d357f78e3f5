"""The single methods, by name, fitted on what was known on a day.

- `reached`: Kaplan-Meier of the total lead time among those who reached the step, given the age,
  with delayed entry
- `reached_pooled`: the same, each step drawn towards the whole pool's curve (partial pooling)
- `reached_recent`: the same from time at risk of the recent past only (a period life table); it
  follows a drift without knowing the date
- `whole`: Kaplan-Meier of the total lead time, given the age
- `since_step`: Kaplan-Meier of what remains since entering the step, given the time in it
- `line`: multiples of the days for which the line in front of the piece stands
- `walk`: walks through the steps to come, by the log's own stays
- `walk_recent`: the same by stays of the recent past only
- `forest`: leaf mates in a forest of what is known of the piece
"""

from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.curves import PRIOR, fit_reached, fit_since_step, fit_whole
from app.leadtimes.forecast.features import fit_encoder
from app.leadtimes.forecast.forest import TREES, fit_forest
from app.leadtimes.forecast.line import fit_line
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.forecast.walks import WALKS, fit_walks
from app.leadtimes.survival import Floats

# Each with the weight it has in the blend before any record speaks.
PRIORS: Final = {
    "reached": 0.07, "reached_pooled": 0.07, "reached_recent": 0.08, "whole": 0.06,
    "since_step": 0.1, "line": 0.06, "walk": 0.1, "walk_recent": 0.16, "forest": 0.3,
}  # fmt: skip
METHODS: Final = tuple(PRIORS)
PRIOR_WEIGHTS: Final = np.array(list(PRIORS.values()))
RECENT_SHARE: Final = 0.25  # of the time watched so far
FEWEST_WALKED: Final = 20  # pieces seen step by step, where others were not
FEWEST_RECENT: Final = 40  # finished pieces that the recent past should hold at least


def said_by_all(
    paths: Paths, now: float, moments: Moments, generator: Generator, trees: int = TREES
) -> Floats:
    """What every method says of the moments: METHODS x moments x LEVELS.

    With fewer trees there are fewer walks, too: enough to learn from.
    """
    walks = WALKS * trees // TREES
    since_step = fit_since_step(paths, now, PRIOR)
    whole = fit_whole(paths, now)
    pooled = fit_reached(paths, now, PRIOR)
    line, recent = fit_line(paths, now, since_step), _recent(paths, now)
    by_pooled = pooled.predict(moments)
    walked = [by_pooled, by_pooled]
    if _can_walk(paths, now):
        walked = [
            fit_walks(paths, now, since).predict(moments, generator, walks)
            for since in (-np.inf, recent)
        ]
    encoder = fit_encoder(paths, now, pooled, since_step, whole, line)
    forest = fit_forest(paths, now, encoder, pooled, generator, trees)
    said = {
        "reached": fit_reached(paths, now, 0.0).predict(moments),
        "reached_pooled": by_pooled,
        "reached_recent": fit_reached(paths, now, PRIOR, since=recent).predict(moments),
        "whole": whole.predict(moments),
        "since_step": since_step.predict(moments),
        "line": line.predict(moments),
        "walk": walked[0],
        "walk_recent": walked[1],
        "forest": by_pooled if forest is None else forest.predict(moments),
    }
    return np.stack([said[name] for name in METHODS])


def _can_walk(paths: Paths, now: float) -> bool:
    """Whether enough pieces were seen step by step: where most of the record is of others, a walk
    knows no further step and ends where it is."""
    if not paths.blurred.any():
        return True
    seen = paths.finished & (paths.ended <= now) & ~paths.blurred
    return int(seen.sum()) >= FEWEST_WALKED


def _recent(paths: Paths, now: float) -> float:
    """The day from which on time at risk is recent: a
    quarter of all, or more where few finished in it.
    """
    ended = np.sort(paths.ended[paths.finished & (paths.ended <= now)])
    since = now - RECENT_SHARE * (now - float(paths.started.min()))
    return min(since, float(ended[-FEWEST_RECENT])) if ended.size >= FEWEST_RECENT else -np.inf
