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
    given_up: ArrayLike | None = None,
) -> Usual | None:
    """Median and 85 % point of the elapsed time of
    stays, in days; None with fewer than 20 stays known.

    `entered` and `left` are epoch seconds, `left` nan where the stay is open at `now`. What
    happened after `now` is not looked at. `known_from` (epoch seconds, nan or at most `entered`
    where watched from the start) is when a row came under watch: imported stays count from that day
    only, and not at all where they had ended by then. A stay whose piece was `given_up` in it ended
    for another reason: it says that the step takes longer than so far, as an open one does (`left`
    stands, but `still_open` does not count it). The quantile is the earliest time by which that
    share has left (the Kaplan-Meier curve's inverse).
    """
    come = np.asarray(entered, dtype=float)
    begun = come <= now
    gone = np.asarray(left, dtype=float)[begun]
    come = come[begun]
    ended = gone <= now  # false for nan
    exit = (np.where(ended, gone, now) - come) / DAY
    entry = np.full(exit.size, -1.0)
    if known_from is not None:
        late = (np.asarray(known_from, dtype=float)[begun] - come) / DAY
        # -1, not 0: a stay that was watched all along and took no time at all did happen.
        entry = np.where(late > 0, late, -1.0)
    watched = entry < exit
    stays, still_open = int(watched.sum()), int((watched & ~ended).sum())
    if stays < FEWEST_STAYS:
        return None
    left_it = ended if given_up is None else ended & ~np.asarray(given_up, dtype=bool)[begun]
    curve = kaplan_meier(exit[watched], left_it[watched], entry[watched])
    median, slow = (
        float(point) if np.isfinite(point) else None for point in curve.quantile([0.5, 0.85])
    )
    return Usual(median, slow, stays, still_open)
