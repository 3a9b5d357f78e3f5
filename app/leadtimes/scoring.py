"""How well ranges held: coverage, pinball loss, and what the still unresolved could make of it.

Rows whose end is known are weighted by the inverse of the chance that it would be (see
forecast/record.py). An unresolved row beside that is counted both ways where it could go both ways;
no assumption can move the bounds.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.levels import POINTS, pinball
from app.leadtimes.forecast.record import censoring_weights
from app.leadtimes.log import Ints
from app.leadtimes.survival import Bools, Floats

RESAMPLES: Final = 400
LOW, MIDDLE, SLOW, HIGH = (int(np.searchsorted(POINTS, point)) for point in (0.1, 0.5, 0.85, 0.9))

Interval = tuple[float, float]


@dataclass(frozen=True)
class Score:
    """`n` scored rows; coverage, its 95 % interval resampled by piece, its bounds; losses in days.

    nan where no row is scored. `by_point` is the coverage of each of POINTS.
    """

    n: int
    unresolved: int
    coverage: dict[str, float]
    interval: dict[str, Interval]
    bounds: dict[str, Interval]
    pinball: dict[str, float]
    mae_days: float
    by_point: list[float]


def score(ranges: Floats, days: Floats, seen: Bools, piece: Ints, generator: Generator) -> Score:
    """Score ranges (rows x POINTS) against `days` to
    the end where `seen`, else days watched without it.
    """
    weight = censoring_weights(days, seen) if days.size else days
    hit = days[:, None] <= ranges
    inside = {
        "p50": hit[:, MIDDLE],
        "p85": hit[:, SLOW],
        "p10_p90": hit[:, HIGH] & (days >= ranges[:, LOW]),
    }
    sure = {
        "p50": days > ranges[:, MIDDLE],
        "p85": days > ranges[:, SLOW],
        "p10_p90": days > ranges[:, HIGH],
    }
    loss = {
        name: _mean(pinball(ranges[:, column], days, POINTS[column]), weight)
        for name, column in (("p50", MIDDLE), ("p85", SLOW))
    }
    return Score(
        n=int(seen.sum()),
        unresolved=int((~seen).sum()),
        coverage={name: _mean(hits, weight) for name, hits in inside.items()},
        interval=_resampled(inside, weight, piece, generator),
        bounds={name: _bounds(hits, sure[name], seen) for name, hits in inside.items()},
        pinball=loss,
        mae_days=2 * loss["p50"],
        by_point=[_mean(hit[:, column], weight) for column in range(POINTS.size)],
    )


def _mean(values: Floats | Bools, weight: Floats) -> float:
    total = float(weight.sum())
    return float((values * weight).sum()) / total if total > 0 else float("nan")


def _bounds(hits: Bools, surely_missed: Bools, seen: Bools) -> Interval:
    """Coverage if all that is unresolved missed where it could, and if it held where it could."""
    if not seen.size:
        return float("nan"), float("nan")
    return float((hits & seen).mean()), float(np.where(seen, hits, ~surely_missed).mean())


def _resampled(
    inside: dict[str, Bools], weight: Floats, piece: Ints, generator: Generator
) -> dict[str, Interval]:
    """Percentile interval of each coverage over
    RESAMPLES draws of whole pieces (Field & Welsh 2007).
    """
    _, place = np.unique(piece, return_inverse=True)
    pieces = int(place.max()) + 1 if place.size else 0
    if not weight.sum() > 0:
        return dict.fromkeys(inside, (float("nan"), float("nan")))
    draws = generator.multinomial(pieces, np.full(pieces, 1 / pieces), RESAMPLES)
    total = draws @ np.bincount(place, weight, minlength=pieces)
    found = {}
    for name, hits in inside.items():
        held = draws @ np.bincount(place, weight * hits, minlength=pieces)
        shares = np.quantile(held[total > 0] / total[total > 0], [0.025, 0.975])
        found[name] = (float(shares[0]), float(shares[1]))
    return found
