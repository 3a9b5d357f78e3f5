"""Ranges before there is any history: what the studio was told to expect of each step."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.leadtimes.forecast.curves import ages_in_step
from app.leadtimes.forecast.levels import LEVELS
from app.leadtimes.forecast.normal import normal_score, normal_share
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.survival import Floats

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
