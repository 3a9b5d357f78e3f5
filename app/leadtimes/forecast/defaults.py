"""Ranges before there is any history: what the studio was told to expect of each step."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.leadtimes.forecast.curves import ages_in_step, fit_whole
from app.leadtimes.forecast.levels import LEVELS
from app.leadtimes.forecast.normal import normal_score, normal_share
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.survival import Floats

ENOUGH_WHOLE: Final = 20  # pieces whose whole lead times alone say how long things take
NARROWEST: Final = 1.1  # the slow point over the median
LOW_POINT: Final = 0.10
HIGH_POINT: Final = 0.85
WIDE: Final = 4.0  # slow over median where nothing at all is known


@dataclass(frozen=True)
class Defaults:
    """Days that remain from entering each step (all steps
    to come included): median and 85 % point, both > 0.
    """

    median: Floats
    slow: Floats

    def predict(self, paths: Paths, moments: Moments) -> Floats:
        """A log-normal given the time already spent in the step, moments x LEVELS."""
        step = paths.step[moments.stay]
        centre = np.log(self.median[step])[:, None]
        spread = (np.log(self.slow / self.median) / normal_score(0.85))[step][:, None]
        age = np.maximum(ages_in_step(paths, moments), 1e-9)[:, None]
        gone = np.minimum(normal_share((np.log(age) - centre) / spread), 0.999)
        level = gone + (1 - gone) * LEVELS
        whole = np.exp(centre + spread * normal_score(level))
        left: Floats = np.maximum(whole - age, 1e-9 * whole)
        return left


def spanning(defaults: Defaults, step: int, low: float, high: float) -> Defaults:
    """Defaults stretched so that from entering a step on `low` and `high` days, both > 0, are the
    10 % and the 85 % point, as a log-normal's."""
    below, above = (float(score) for score in normal_score([LOW_POINT, HIGH_POINT]))
    middle = np.exp((above * np.log(low) - below * np.log(high)) / (above - below))
    median = defaults.median * (middle / defaults.median[step])
    slow = defaults.slow * (high / defaults.slow[step])
    return Defaults(median, np.maximum(slow, median * NARROWEST))


def scaled(defaults: Defaults, paths: Paths, now: float) -> Defaults:
    """Defaults stretched to the whole lead times of pieces whose steps are not known.

    What is usual says how a lead time divides, the studio's own pieces how long it is: their
    Kaplan-Meier median and 85 % point over the usual ones of a piece that is just ordered. With
    fewer than ENOUGH_WHOLE of them the factor is drawn towards 1, evenly on its logarithm.
    """
    told = paths.blurred & paths.finished & (paths.ended <= now)
    many = int(told.sum())
    if not many:
        return defaults
    half, slow = fit_whole(paths, now).hazard.whole(np.array([0.5, 0.85]))
    weight = min(many / ENOUGH_WHOLE, 1.0)
    factor = max(half / defaults.median[0], 1e-3) ** weight
    wide = max(slow / defaults.slow[0], 1e-3) ** weight
    median = defaults.median * factor
    return Defaults(median, np.maximum(defaults.slow * wide, median * NARROWEST))


def vague(paths: Paths, now: float) -> Defaults:
    """Very wide defaults from the time watched so far:
    one rate for all steps (censored exponential).
    """
    begun = paths.started <= now
    watched = float((np.minimum(paths.ended, now) - paths.started)[begun].sum())
    finished = int((paths.finished & (paths.ended <= now)).sum())
    median = max(np.log(2) * watched / (finished + 1), 1e-6)
    each = np.full(max(paths.steps, 1), median)
    return Defaults(each, WIDE * each)
