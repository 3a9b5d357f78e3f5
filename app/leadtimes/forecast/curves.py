"""Ranges from Kaplan-Meier curves: of the whole lead
time, of those who reached the step, since the step.

Each curve is a table of distinct event times with the cumulative hazard -log S; what remains at age
a with level p is the first time at which the hazard has grown by -log(1 - p) since a. Where a step
has few cases its hazard is drawn towards a wider pool's, as if PRIOR pieces with the pool's hazard
had been seen too (the posterior mean under a beta process, Hjort 1990); 0 gives the plain
Kaplan-Meier. Beyond its last event a curve goes on at the rate of its last events.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.leadtimes.forecast.levels import LEVELS
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.log import Ints
from app.leadtimes.survival import Bools, Floats

PRIOR: Final = 4.0
LAST_EVENTS: Final = 0.1  # the share of events that sets the tail's rate, at least three of them
POOL_TIMES: Final = 250
GONE: Final = 1 - 1e-12  # a plain curve that fell to nothing: all hazard is there


@dataclass(frozen=True)
class Hazard:
    """Cumulative hazard at rising times (0 before them) and the rate per day after the last."""

    times: Floats
    total: Floats
    rate_beyond: float

    def grown(self, age: Floats) -> Floats:
        """The hazard met by each age."""
        met: Floats = np.concatenate(([0.0], self.total))[np.searchsorted(self.times, age, "right")]
        last = self.times[-1] if self.times.size else 0.0
        return met + np.maximum(age - last, 0.0) * self.rate_beyond

    def remaining(self, age: Floats, levels: Floats) -> Floats:
        """Days that remain at each age (rows) and level (columns, or each row's own)."""
        target = self.grown(age)[:, None] - np.log1p(-levels)
        place = np.searchsorted(self.total, target - 1e-12, "left")
        last_time = self.times[-1] if self.times.size else 0.0
        last_total = self.total[-1] if self.times.size else 0.0
        beyond = last_time + (target - last_total) / self.rate_beyond
        reached = np.where(place < self.times.size, np.append(self.times, 0.0)[place], beyond)
        return np.maximum(reached - age[:, None], 0.0)

    def whole(self, levels: Floats) -> Floats:
        """Days from the very beginning at each level, what ends at once included.

        At age 0 a piece is known not to have ended at once, where many do: dates without hours.
        """
        days: Floats = self.remaining(np.full(1, -1e-12), levels)[0]
        return days


def hazard_of(
    exit: Floats, event: Bools, entry: Floats, pool: Hazard | None = None, prior: float = 0.0
) -> Hazard:
    """The hazard of rows at risk on (entry, exit], drawn
    towards `pool` with the weight of `prior` rows.
    """
    watched = entry < exit
    exit, event, entry = exit[watched], event[watched], entry[watched]
    own, deaths = np.unique(exit[event], return_counts=True)
    times = own if pool is None or prior <= 0 else np.union1d(own, _thinned(pool.times))
    events = np.zeros(times.size)
    events[np.searchsorted(times, own)] = deaths
    at_risk = (
        np.searchsorted(np.sort(entry), times, "left")
        - np.searchsorted(np.sort(exit), times, "left")
    ).astype(float)
    if pool is not None and prior > 0:
        expected = -np.expm1(-np.diff(pool.grown(times), prepend=0.0))
        events, at_risk = events + prior * expected, at_risk + prior
    share = np.minimum(events / np.where(at_risk > 0, at_risk, 1.0), GONE)
    return Hazard(times, np.cumsum(-np.log1p(-share)), _rate(exit, event, entry, pool))


def hazards_by_step(
    steps: int, step: Ints, exit: Floats, event: Bools, entry: Floats, pool: Hazard, prior: float
) -> tuple[Hazard, ...]:
    """The hazard of each of so many steps, from the rows of that step."""
    rows = [step == code for code in range(steps)]
    return tuple(hazard_of(exit[r], event[r], entry[r], pool, prior) for r in rows)


def _thinned(times: Floats) -> Floats:
    """Some of a pool's times: between them its hazard is lumped, which no range can tell."""
    return times[:: 1 + times.size // POOL_TIMES]


def _rate(exit: Floats, event: Bools, entry: Floats, pool: Hazard | None) -> float:
    """Events per day at risk from the time of the last
    tenth of the events on; one event is added to each side.

    The added event happens at the pool's rate, or after the mean time watched where there is no
    pool.
    """
    ended = np.sort(exit[event])
    count = max(3, round(LAST_EVENTS * ended.size))
    since = float(ended[-count]) if ended.size >= count else 0.0
    exposure = float(np.clip(exit - np.maximum(entry, since), 0, None).sum())
    late = float((ended >= since).sum())
    if pool is not None:
        return (late + 1) / (exposure + 1 / pool.rate_beyond)
    typical = exposure / max(exit.size, 1)
    return (late + 1) / (exposure + typical) if typical > 0 else 1.0


@dataclass(frozen=True)
class WholeLead:
    """The curve of the total lead time, given the age."""

    paths: Paths
    hazard: Hazard

    def predict(self, moments: Moments, levels: Floats = LEVELS) -> Floats:
        """Days that remain, moments x levels."""
        return self.hazard.remaining(ages(self.paths, moments), levels)


@dataclass(frozen=True)
class ByStep:
    """One curve a step, read at the total age or at the time since entering it."""

    paths: Paths
    hazards: tuple[Hazard, ...]
    since_step: bool

    def predict(self, moments: Moments, levels: Floats = LEVELS) -> Floats:
        """Days that remain, moments x levels."""
        age = ages_in_step(self.paths, moments) if self.since_step else ages(self.paths, moments)
        step = self.paths.step[moments.stay]
        days = np.empty((len(moments), levels.size))
        for code in np.unique(step):
            mine = step == code
            days[mine] = self.hazards[code].remaining(age[mine], levels)
        return days


def ages(paths: Paths, moments: Moments) -> Floats:
    """Days since the piece's first entry."""
    return moments.at - paths.started[paths.piece[moments.stay]]


def ages_in_step(paths: Paths, moments: Moments) -> Floats:
    """Days since the piece entered the step it is in."""
    return moments.at - paths.entered[moments.stay]


def fit_whole(paths: Paths, now: float, since: float = -np.inf) -> WholeLead:
    """From the pieces that began by `now`; only time at risk after the day `since` counts.

    With `since` it is a period life table: the hazards of the recent past, whoever was at risk
    then. A piece is at risk only while it is under watch (delayed entry), here as in the others.
    """
    begun = paths.started <= now
    started = paths.started[begun]
    exit = np.minimum(paths.ended[begun], now) - started
    event = ((paths.ended <= now) & paths.finished)[begun]
    watched = np.maximum(paths.watched[begun], since)
    return WholeLead(paths, hazard_of(exit, event, np.maximum(watched - started, -1.0)))


def fit_reached(paths: Paths, now: float, prior: float, since: float = -np.inf) -> ByStep:
    """Total lead time among the cases that reached the step, from the age at which they did."""
    first = (paths.visit == 0) & (paths.entered <= now)
    piece, step = paths.piece[first], paths.step[first]
    seen = (paths.ended[piece] <= now) & paths.finished[piece]
    started = paths.started[piece]
    exit = np.minimum(paths.ended[piece], now) - started
    entry = np.maximum(paths.age[first], np.maximum(paths.watched[piece], since) - started)
    pool = fit_whole(paths, now, since).hazard
    hazards = hazards_by_step(paths.steps, step, exit, seen, entry, pool, prior)
    return ByStep(paths, hazards, since_step=False)


def fit_since_step(paths: Paths, now: float, prior: float) -> ByStep:
    """What remains from each entry into the step, given the time since."""
    begun = paths.entered <= now
    piece, step = paths.piece[begun], paths.step[begun]
    seen = (paths.ended[piece] <= now) & paths.finished[piece]
    exit = np.minimum(paths.ended[piece], now) - paths.entered[begun]
    entry = np.maximum(paths.watched[piece] - paths.entered[begun], -1.0)
    pool = hazard_of(exit, seen, entry)
    hazards = hazards_by_step(paths.steps, step, exit, seen, entry, pool, prior)
    return ByStep(paths, hazards, since_step=True)
