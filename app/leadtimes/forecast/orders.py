"""An order is ready with its last piece; its pieces are not independent.

Pieces of one order share a customer, a set of pictures, often a parcel. Their ranges are joined by
a normal copula with one correlation for all pairs: at 0 they would run on their own, at 1 they are
early or late together (and the order's range is that of its slowest piece at every level). The
correlation comes from the record: where in their ranges the pieces of one order ended, drawn
towards PRIOR_CORRELATION while few orders have finished.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from app.leadtimes.forecast.levels import HIGHEST, POINTS, at_levels, level_of
from app.leadtimes.forecast.normal import normal_score, normal_share
from app.leadtimes.forecast.pieces import CameTrue, Forecast
from app.leadtimes.log import Ints
from app.leadtimes.survival import Floats

PRIOR_CORRELATION: Final = 0.5
PRIOR_PAIRS: Final = 30.0
NODES: Final = 40
MOST_CORRELATION: Final = 0.95
GRID: Final = 200
_WEAKEST_BASIS: Final = ("defaults", "blend", "own")


@dataclass(frozen=True)
class OrderForecast:
    """What remains of one order: days at POINTS, of its
    last open piece; the weakest basis of its pieces.
    """

    order: int
    days: Floats
    pieces: int
    basis: str


def forecast_orders(
    forecasts: Sequence[Forecast],
    order_of: Mapping[int, int],
    correlation: float = PRIOR_CORRELATION,
) -> list[OrderForecast]:
    """One range an order from those of its open pieces; `order_of` maps piece to order."""
    by_order: dict[int, list[Forecast]] = {}
    for forecast in forecasts:
        by_order.setdefault(order_of[forecast.piece], []).append(forecast)
    return [
        OrderForecast(
            order,
            latest_of(np.stack([piece.levels for piece in pieces]), correlation),
            len(pieces),
            min((piece.basis for piece in pieces), key=_WEAKEST_BASIS.index),
        )
        for order, pieces in by_order.items()
    ]


def latest_of(ranges: Floats, correlation: float) -> Floats:
    """Days at POINTS of the last of several pieces, whose
    ranges (pieces x LEVELS) are joined by a copula.

    Given the common factor z the pieces are independent, so the share ready by a day is the mean
    over z of the product of their shares (Vasicek 1987).
    """
    if ranges.shape[0] == 1:
        alone: Floats = at_levels(ranges, POINTS)[0]
        return alone
    reach = at_levels(ranges, [HIGHEST]).max()
    days = np.unique(np.concatenate((ranges.ravel(), np.linspace(0, reach, GRID))))
    share = np.array([level_of(np.repeat(row[None], days.size, 0), days) for row in ranges])
    score = normal_score(share)
    # Evenly likely values of z: near a correlation of 1 the shares are steps, on which Gauss's rule
    # rings.
    nodes = normal_score((np.arange(NODES) + 0.5) / NODES)
    bounded = min(max(correlation, 0.0), MOST_CORRELATION)
    given = (score[:, :, None] - np.sqrt(bounded) * nodes) / np.sqrt(1 - bounded)
    ready = normal_share(given).prod(axis=0).mean(axis=1)
    ready = np.maximum.accumulate(ready)
    found = np.interp(POINTS, ready, days)
    slowest = at_levels(ranges, POINTS).max(
        axis=0
    )  # an order is never ready before its slowest piece
    latest: Floats = np.maximum(found, slowest)
    return latest


def correlation_of(record: CameTrue, order_of: Mapping[int, int]) -> float:
    """Correlation within orders from the record of their pieces; `order_of` maps piece to order.

    Pieces are compared in ranges of one day, and an order counts once: on the day on which most of
    its finished pieces were open, the first of several.
    """
    order = np.array([order_of[piece] for piece in record.piece.tolist()], dtype=np.int64)
    days, place, count = np.unique(
        np.stack((order, record.at), axis=1), axis=0, return_inverse=True, return_counts=True
    )
    best = np.lexsort((days[:, 1], -count, days[:, 0]))
    first = np.ones(best.size, dtype=bool)
    first[1:] = days[best[1:], 0] != days[best[:-1], 0]
    taken = np.zeros(best.size, dtype=bool)
    taken[best[first]] = True
    rows = (taken & (count > 1))[place.ravel()]
    return correlation_from(record.level[rows], order[rows])


def correlation_from(record: Floats, order: Ints) -> float:
    """Correlation of the normal scores of levels at which
    pieces ended, within orders, drawn to the prior.

    `record` holds the level of each finished piece in a range given earlier, `order` its order. The
    mean product of scores over pairs of one order, each order weighing as its pairs do, on the mean
    square.
    """
    score = normal_score(np.clip(record, 1 - HIGHEST, HIGHEST))
    score = score - score.mean() if score.size else score
    _, place = np.unique(order, return_inverse=True)
    count, total = np.bincount(place), np.bincount(place, score)
    squares = np.bincount(place, score**2)
    pairs = float((count * (count - 1) / 2).sum())
    product = float(((total**2 - squares) / 2).sum())
    square = float((score**2).mean()) if score.size else 1.0
    return min(
        max(
            (product / max(square, 1e-9) + PRIOR_PAIRS * PRIOR_CORRELATION) / (pairs + PRIOR_PAIRS),
            0.0,
        ),
        0.99,
    )
