"""The single methods, by name, fitted on what was known on a day.

e          Kaplan-Meier of the total lead time among those who reached the step, given the age,
delayed entry e_shrunk   the same, each step drawn towards the whole pool's curve e_recent   the
same from time at risk of the recent past only: it follows a drift without knowing the date b
Kaplan-Meier of the total lead time, given the age c          Kaplan-Meier of what remains since
entering the step, given the time in it forest     leaf mates in a forest of what is known of the
piece drop_open  e without what is still open: too short; kept to show by how much, never part of
the blend
"""

from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.curves import PRIOR, fit_reached, fit_since_step, fit_whole
from app.leadtimes.forecast.features import fit_encoder
from app.leadtimes.forecast.forest import TREES, fit_forest
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.survival import Floats

METHODS: Final = ("e", "e_shrunk", "e_recent", "b", "c", "forest", "drop_open")
PRIOR_WEIGHTS: Final = np.array([0.1, 0.15, 0.15, 0.1, 0.15, 0.35, 0.0])
RECENT_SHARE: Final = 0.25  # of the time watched so far
FEWEST_RECENT: Final = 40  # finished pieces that the recent past should hold at least


def said_by_all(
    paths: Paths, now: float, moments: Moments, generator: Generator, trees: int = TREES
) -> Floats:
    """What every method says of the moments: METHODS x moments x LEVELS."""
    since_step = fit_since_step(paths, now, PRIOR)
    whole = fit_whole(paths, now)
    shrunk = fit_reached(paths, now, PRIOR)
    plain = fit_reached(paths, now, 0.0).predict(moments)
    calm = shrunk.predict(moments)
    encoder = fit_encoder(paths, now, shrunk, since_step, whole)
    forest = fit_forest(paths, now, encoder, shrunk, generator, trees)
    said = {
        "e": plain,
        "e_shrunk": calm,
        "e_recent": fit_reached(paths, now, PRIOR, since=_recent(paths, now)).predict(moments),
        "b": whole.predict(moments),
        "c": since_step.predict(moments),
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
