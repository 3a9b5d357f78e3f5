"""What the methods said before and what is known of it now: the record that a blend learns from.

A row is one open piece at one moment with each method's range. How it ended becomes known later,
for some rows never: rows are weighted by the inverse of the chance that an end so far off would be
known yet (inverse probability of censoring; Robins & Rotnitzky 1992, Graf et al. 1999 for scoring
forecasts).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.leadtimes.forecast.levels import POINTS
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.survival import Bools, Floats, kaplan_meier

FEWEST_KNOWN: Final = (
    0.15  # beyond this chance of being known, a remaining time counts as "at least"
)
LARGEST_WEIGHT: Final = 20.0
FADES: Final = 5.0  # typical remaining times in which a row's weight halves, if by then
ENOUGH_SINCE: Final = 200  # pieces have finished, else the time in which so many have


@dataclass(frozen=True)
class ForecastRecord:
    """Moments and `said` (methods x moments x POINTS), in order of time."""

    moments: Moments
    said: Floats

    def with_rows(self, moments: Moments, said: Floats) -> "ForecastRecord":
        """The record with a day's rows added."""
        return ForecastRecord(
            Moments(
                np.concatenate((self.moments.stay, moments.stay)),
                np.concatenate((self.moments.at, moments.at)),
            ),
            np.concatenate((self.said, said), axis=1),
        )


def empty_record(methods: int) -> ForecastRecord:
    """No rows yet."""
    none = np.zeros(0, dtype=np.int64)
    return ForecastRecord(Moments(none, np.zeros(0)), np.zeros((methods, 0, POINTS.size)))


@dataclass(frozen=True)
class KnownEnds:
    """The record's ends as far as they are known: `days` up to `horizon`, weight 0 where not."""

    days: Floats
    weight: Floats
    horizon: float
    pieces: int


def known(paths: Paths, moments: Moments, now: float) -> KnownEnds:
    """Weighted truth of the record's rows on the day `now`, cut at a horizon.

    An end further off than the horizon would hardly be known yet; a row seen open so long counts as
    "at the horizon", with the ranges cut there too, so that long rows are not simply missing
    (restricted scores). Older rows fade, as far as there is evidence since.
    """
    days, seen = paths.known_on(now, moments)
    pieces = int(np.unique(paths.piece[moments.stay[seen]]).size)
    watch = kaplan_meier(days, ~seen)
    rare = np.flatnonzero(watch.survival < FEWEST_KNOWN)
    horizon = float(watch.times[rare[0]]) if rare.size else np.inf
    told = (seen & (days <= horizon)) | (days >= horizon)
    halves = _halves(paths, days[seen], now)
    days = np.minimum(days, horizon)
    weight = 0.5 ** ((now - moments.at) / halves)
    return KnownEnds(
        days,
        np.where(told, weight / _chance_known(watch.times, watch.survival, days), 0.0),
        horizon,
        pieces,
    )


def _halves(paths: Paths, days: Floats, now: float) -> float:
    """The age in days at which a row counts half; `days` are the remaining times known."""
    ended = np.sort(paths.ended[paths.finished & (paths.ended <= now)])
    if ended.size < ENOUGH_SINCE or not days.size:
        return np.inf
    return max(FADES * float(np.median(days)), now - float(ended[-ENOUGH_SINCE]), 1e-9)


def censoring_weights(days: Floats, seen: Bools) -> Floats:
    """1 / chance of being watched long enough to see the end, 0 where it was not seen; at most
    LARGEST_WEIGHT.
    """
    watch = kaplan_meier(days, ~seen)
    chance = np.maximum(_chance_known(watch.times, watch.survival, days), 1 / LARGEST_WEIGHT)
    weight: Floats = np.where(seen, 1 / chance, 0.0)
    return weight


def _chance_known(times: Floats, survival: Floats, days: Floats) -> Floats:
    """Chance of being watched up to just before each time."""
    chance: Floats = np.concatenate(([1.0], survival))[np.searchsorted(times, days, "left")]
    return chance
