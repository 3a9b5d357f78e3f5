"""One range from several: an average of quantiles with weights that the record earns.

Averaging quantiles keeps a range as sharp as its members (Lichtendahl, Grushka-Cockayne & Winkler
2013). The weights lie on the simplex and minimise the record's pinball loss plus a pull towards
prior weights, stronger the fewer pieces have finished; the loss is convex in them, so exponentiated
gradient steps find the minimum (Kivinen & Warmuth 1997).
"""

from typing import Final

import numpy as np

from app.leadtimes.forecast.levels import POINTS, pinball
from app.leadtimes.forecast.record import ForecastRecord, KnownEnds
from app.leadtimes.survival import Floats

LEARNT_AT: Final = np.array([0.1, 0.25, 0.5, 0.75, 0.85, 0.9])
FEWEST_PIECES: Final = 5
PULL: Final = 4.0  # strength of the prior weights, in pieces
STEPS: Final = 80
MOST_ROWS: Final = 2_000
FIRST_STEP: Final = 2.0
LEAST: Final = 1e-4
REIN: Final = 3.0
_COLUMNS: Final = np.searchsorted(POINTS, LEARNT_AT - 1e-9)


def mixed(said: Floats, weights: Floats) -> Floats:
    """The average of the methods' ranges: methods x pieces x levels to pieces x levels."""
    average: Floats = np.tensordot(weights, reined(said), 1)
    return average


def reined(said: Floats) -> Floats:
    """Each method's days, held within REIN times the middle of all methods (winsorised).

    An average of quantiles is no better than its wildest member: a curve that saw no end in a step
    lately goes on almost for ever.
    """
    middle = np.median(said, axis=0)
    held: Floats = np.clip(said, middle / REIN, middle * REIN)
    return held


def earned_weights(record: ForecastRecord, truth: KnownEnds, prior: Floats) -> Floats:
    """Weights of the methods, adding up to 1; the
    prior's while fewer than FEWEST_PIECES have finished.
    """
    weight = truth.weight
    if truth.pieces < FEWEST_PIECES or weight.sum() <= 0:
        return prior
    told = np.flatnonzero(weight > 0)
    told = told[:: max(1, told.size // MOST_ROWS)]
    said = np.minimum(reined(record.said[:, told][:, :, _COLUMNS]), truth.horizon)
    flat = said.reshape(prior.size, -1)  # methods x (rows x levels)
    days = np.repeat(truth.days[told], LEARNT_AT.size)
    level = np.tile(LEARNT_AT, told.size)
    share = np.repeat(weight[told] / weight[told].sum(), LEARNT_AT.size)
    scale = float((share * pinball(prior @ flat, days, level)).sum()) + 1e-12
    return _descended(flat, days, level, share / scale, prior, PULL / truth.pieces)


def _descended(
    flat: Floats, days: Floats, level: Floats, share: Floats, prior: Floats, pull: float
) -> Floats:
    """The weights after STEPS exponentiated gradient steps from the prior."""
    weights = prior
    for step in range(STEPS):
        slope = np.where(days > weights @ flat, -level, 1 - level) * share
        gradient = flat @ slope + pull * (np.log(weights / prior) + 1)
        move = -FIRST_STEP / np.sqrt(1 + step) * (gradient - gradient @ weights)
        weights = np.maximum(weights * np.exp(np.clip(move, -5, 5)), LEAST)
        weights = weights / weights.sum()
    return weights
