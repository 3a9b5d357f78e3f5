"""The normal distribution on arrays, read from a
table of the standard library's own (to about 1e-6).
"""

from functools import cache
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from app.leadtimes.survival import Floats

_REACH: Final = 8.0
_POINTS: Final = 6_401


@cache
def _table() -> tuple[Floats, Floats]:
    scores = np.linspace(-_REACH, _REACH, _POINTS)
    return scores, np.array([NormalDist().cdf(float(score)) for score in scores])


def normal_share(score: ArrayLike) -> Floats:
    """Share below each score."""
    share: Floats = np.interp(np.asarray(score, dtype=float), *_table())
    return share


def normal_score(share: ArrayLike) -> Floats:
    """Score below which each share lies; shares are taken as between 1e-9 and 1 - 1e-9."""
    scores, shares = _table()
    inside = np.clip(np.asarray(share, dtype=float), 1e-9, 1 - 1e-9)
    score: Floats = np.interp(inside, shares, scores)
    return score
