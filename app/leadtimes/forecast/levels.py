"""A forecast as its quantiles at fixed levels, and what can be read off them.

Every method tells the same LEVELS of the days that remain; a forecast of many pieces is an array
pieces x levels. Between levels it is read as straight lines, from 0 at level 0, and above the last
level as an exponential tail.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from app.leadtimes.survival import Floats

POINTS: Final = np.array([0.05, 0.10, 0.25, 0.50, 0.75, 0.85, 0.90, 0.95])  # what is told
LEVELS: Final = np.concatenate(
    ([0.01, 0.025], np.arange(1, 20) / 20, [0.975, 0.99])
)  # what is kept
_TAIL_FROM: Final = int(np.searchsorted(LEVELS, 0.9))
HIGHEST: Final = 0.999


def at_levels(forecast: Floats, levels: ArrayLike) -> Floats:
    """Days at other levels: `levels` has one row for all pieces (k) or one a piece (pieces x k)."""
    asked = np.clip(np.atleast_2d(np.asarray(levels, dtype=float)), 0.0, HIGHEST)
    asked = np.broadcast_to(asked, (forecast.shape[0], asked.shape[1]))
    levels_0 = np.concatenate(([0.0], LEVELS))
    days_0 = np.concatenate((np.zeros((forecast.shape[0], 1)), forecast), axis=1)
    place = np.clip(np.searchsorted(levels_0, asked, "right"), 1, LEVELS.size)
    low, high = levels_0[place - 1], levels_0[place]
    share = np.minimum((asked - low) / (high - low), 1.0)
    left = np.take_along_axis(days_0, place - 1, axis=1)
    inside = left + share * (np.take_along_axis(days_0, place, axis=1) - left)
    beyond = forecast[:, -1:] + tail_scale(forecast)[:, None] * np.log(
        (1 - LEVELS[-1]) / (1 - asked)
    )
    found: Floats = np.where(asked > LEVELS[-1], beyond, inside)
    return found


def level_of(forecast: Floats, days: ArrayLike) -> Floats:
    """The lowest level at which each piece's forecast reaches its own number of days: the inverse
    of `at_levels`.

    The lowest, because with it a range read there holds: many levels are one day where dates have
    no hours.
    """
    asked = np.asarray(days, dtype=float)[:, None]
    levels_0 = np.concatenate(([0.0], LEVELS))
    days_0 = np.concatenate((np.zeros((forecast.shape[0], 1)), forecast), axis=1)
    place = np.clip((days_0 < asked).sum(axis=1, keepdims=True), 1, LEVELS.size)
    low = np.take_along_axis(days_0, place - 1, axis=1)
    width = np.take_along_axis(days_0, place, axis=1) - low
    share = np.clip((asked - low) / np.where(width > 0, width, 1.0), 0.0, 1.0)
    inside = levels_0[place - 1] + share * (levels_0[place] - levels_0[place - 1])
    over = np.maximum(asked - forecast[:, -1:], 0.0) / tail_scale(forecast)[:, None]
    beyond = 1 - (1 - LEVELS[-1]) * np.exp(-over)
    found: Floats = np.where(asked > forecast[:, -1:], beyond, inside)[:, 0]
    return np.minimum(found, HIGHEST)


def tail_scale(forecast: Floats) -> Floats:
    """Mean of the exponential tail beyond the last level, from the levels 0.9 and 0.99; never 0."""
    rise = forecast[:, -1] - forecast[:, _TAIL_FROM]
    scale: Floats = rise / np.log((1 - LEVELS[_TAIL_FROM]) / (1 - LEVELS[-1]))
    return np.maximum(scale, 1e-9 + 1e-3 * forecast[:, -1])


def pinball(days: Floats, truth: Floats, level: ArrayLike) -> Floats:
    """Koenker & Bassett 1978: the loss whose mean is least at the quantile of `level`."""
    over = truth - days
    loss: Floats = np.maximum(np.asarray(level) * over, (np.asarray(level) - 1) * over)
    return loss
