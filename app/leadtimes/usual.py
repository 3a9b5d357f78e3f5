"""How long a step usually takes: the median and the
85 % point of stays, open ones counted as censored.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from app.leadtimes.log import DAY
from app.leadtimes.survival import kaplan_meier

FEWEST_STAYS: Final = 20  # below it a page speaks in words only


@dataclass(frozen=True)
class Usual:
    """Days in a step; `slow` (or even `median`) is None where too few stays have ended to tell."""

    median: float | None
    slow: float | None
    stays: int
    still_open: int


def usual_and_slow(
    entered: ArrayLike,
    left: ArrayLike,
    now: float,
    known_from: ArrayLike | None = None,
    unit: float = DAY,
) -> Usual | None:
    """Median and 85 % point of the elapsed time of
    stays, in days; None with fewer than 20 stays known.

    `entered` and `left` are epoch seconds, `left` nan where the stay is open at `now`. What
    happened after `now` is not looked at. `known_from` (epoch seconds, nan or at most `entered`
    where watched from the start) is when a row came under watch: imported stays count from that day
    only. The quantile is the earliest time by which that share has left (the Kaplan-Meier curve's
    inverse).
    """
    come = np.asarray(entered, dtype=float)
    begun = come <= now
    gone = np.asarray(left, dtype=float)[begun]
    come = come[begun]
    if come.size < FEWEST_STAYS:
        return None
    ended = gone <= now  # false for nan
    exit = (np.where(ended, gone, now) - come) / unit
    entry = None
    if known_from is not None:
        late = (np.asarray(known_from, dtype=float)[begun] - come) / unit
        # -1, not 0: a stay that was watched all along and took no time at all did happen.
        entry = np.minimum(np.where(late > 0, late, -1.0), exit)
    points = kaplan_meier(exit, ended, entry).quantile([0.5, 0.85])
    median, slow = (float(point) if np.isfinite(point) else None for point in points)
    return Usual(median, slow, int(come.size), int((~ended).sum()))
