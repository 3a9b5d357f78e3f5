"""Small statistics with their sources: control chart, quantiles, Little's law."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from app.leadtimes.survival import Floats

MEAN_RANGE_TO_SIGMA: Final = 1.128  # d2 of ranges of two, NIST/SEMATECH e-Handbook 6.3.2.2


@dataclass(frozen=True)
class Individuals:
    """An individuals chart: centre line, mean moving
    range, limits, and which points lie outside them.
    """

    centre: float
    mean_range: float
    lower: float
    upper: float
    outside: tuple[int, ...]


def individuals_chart(values: ArrayLike) -> Individuals:
    """Shewhart's chart of single values (XmR), limits three sigma away by the mean moving range.

    ValueError with fewer than two values: there is no moving range.
    """
    series = np.asarray(values, dtype=float)
    if series.size < 2:
        raise ValueError("an individuals chart needs at least two values")
    centre = float(series.mean())
    mean_range = float(np.abs(np.diff(series)).mean())
    reach = 3 * mean_range / MEAN_RANGE_TO_SIGMA
    outside = np.flatnonzero(np.abs(series - centre) > reach)
    return Individuals(centre, mean_range, centre - reach, centre + reach, tuple(outside.tolist()))


def log_individuals_chart(values: ArrayLike) -> Individuals:
    """The same chart drawn on logarithms and told in the values' own unit.

    Lead times are skewed to the right; on their logarithms the limits are ratios and never
    negative. The mean range is then a factor: 1.3 says that neighbours differ by 30 % on average.
    ValueError unless all are > 0.
    """
    series = np.asarray(values, dtype=float)
    if not (series > 0).all():
        raise ValueError("a chart on logarithms needs values above 0")
    chart = individuals_chart(np.log(series))
    centre, mean_range, lower, upper = np.exp(
        [chart.centre, chart.mean_range, chart.lower, chart.upper]
    ).tolist()
    return Individuals(centre, mean_range, lower, upper, chart.outside)


def nearest_rank(values: ArrayLike, probabilities: ArrayLike) -> Floats:
    """Sample quantiles of Hyndman & Fan's type 1 (1996): values that are in the sample.

    ValueError for an empty sample.
    """
    sample = np.asarray(values, dtype=float)
    if not sample.size:
        raise ValueError("quantiles need at least one value")
    at = np.asarray(probabilities, dtype=float)
    found: Floats = np.asarray(np.quantile(sample, at, method="inverted_cdf"))
    return found


@dataclass(frozen=True)
class LittleCheck:
    """Little's law over a window: pieces in work,
    arrivals per day, and the time that follows from them.
    """

    in_work: float
    per_day: float
    expected_days: float


def little(entered: ArrayLike, left: ArrayLike, start: float, end: float) -> LittleCheck:
    """Mean work in progress L, arrival rate and L / rate over [start, end) (Little & Graves 2008).

    Times in days; `left` is nan where open. A lead time measured otherwise that is far from
    `expected_days` says that the line was filling or draining, or that a clock is wrong. nan where
    nothing arrived.
    """
    come, gone = np.asarray(entered, dtype=float), np.asarray(left, dtype=float)
    gone = np.where(np.isnan(gone), np.inf, gone)
    inside = np.clip(np.minimum(gone, end) - np.maximum(come, start), 0, None)
    in_work = float(inside.sum() / (end - start))
    per_day = float(((come >= start) & (come < end)).sum() / (end - start))
    return LittleCheck(in_work, per_day, in_work / per_day if per_day else float("nan"))
