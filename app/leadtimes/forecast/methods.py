"""The single methods, by name, fitted on what was known on a day.

- `e`: Kaplan-Meier of the total lead time among those who reached the step, given the age, with
  delayed entry
- `e_shrunk`: the same, each step drawn towards the whole pool's curve
- `e_recent`: the same from time at risk of the recent past only; it follows a drift without
  knowing the date
- `b`: Kaplan-Meier of the total lead time, given the age
- `c`: Kaplan-Meier of what remains since entering the step, given the time in it
- `line`: multiples of the days for which the line in front of the piece stands
- `walk`: walks through the steps to come, by the log's own stays
- `walk_recent`: the same by stays of the recent past only
- `forest`: leaf mates in a forest of what is known of the piece
- `drop_open`: e without what is still open: too short; kept to show by how much, never part of the
  blend
"""

from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.curves import PRIOR, fit_reached, fit_since_step, fit_whole
from app.leadtimes.forecast.features import fit_encoder
from app.leadtimes.forecast.forest import TREES, fit_forest
from app.leadtimes.forecast.line import fit_line
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.forecast.walks import fit_walks
from app.leadtimes.survival import Floats

# Each with the weight it has in the blend before any record speaks.
PRIORS: Final = {
    "e": 0.07, "e_shrunk": 0.07, "e_recent": 0.08, "b": 0.06, "c": 0.1, "line": 0.06,
    "walk": 0.1, "walk_recent": 0.16, "forest": 0.3, "drop_open": 0.0,
}  # fmt: skip
METHODS: Final = tuple(PRIORS)
PRIOR_WEIGHTS: Final = np.array(list(PRIORS.values()))
RECENT_SHARE: Final = 0.25  # of the time watched so far
FEWEST_RECENT: Final = 40  # finished pieces that the recent past should hold at least


def said_by_all(
    paths: Paths, now: float, moments: Moments, generator: Generator, trees: int = TREES
) -> Floats:
    """What every method says of the moments: METHODS x moments x LEVELS."""
    since_step = fit_since_step(paths, now, PRIOR)
    whole = fit_whole(paths, now)
    shrunk = fit_reached(paths, now, PRIOR)
    line, recent = fit_line(paths, now, since_step), _recent(paths, now)
    walked = [
        fit_walks(paths, now, since).predict(moments, generator) for since in (-np.inf, recent)
    ]
    calm = shrunk.predict(moments)
    encoder = fit_encoder(paths, now, shrunk, since_step, whole, line)
    forest = fit_forest(paths, now, encoder, shrunk, generator, trees)
    said = {
        "e": fit_reached(paths, now, 0.0).predict(moments),
        "e_shrunk": calm,
        "e_recent": fit_reached(paths, now, PRIOR, since=recent).predict(moments),
        "b": whole.predict(moments),
        "c": since_step.predict(moments),
        "line": line.predict(moments),
        "walk": walked[0],
        "walk_recent": walked[1],
        "forest": calm if forest is None else forest.predict(moments),
        "drop_open": fit_reached(paths, now, 0.0, drop_open=True).predict(moments),
    }
    return np.stack([said[name] for name in METHODS])


def _recent(paths: Paths, now: float) -> float:
    """The day from which on time at risk is recent: a
    quarter of all, or more where few finished in it.
    """
    ended = np.sort(paths.ended[paths.finished & (paths.ended <= now)])
    since = now - RECENT_SHARE * (now - float(paths.started.min()))
    return min(since, float(ended[-FEWEST_RECENT])) if ended.size >= FEWEST_RECENT else -np.inf
