"""Survival curves of lead times, with open pieces counted as censored.

A row is one piece under watch: at risk from `entry` (exclusive) to `exit` (inclusive), and at
`exit` either the event happened or the watch ended (censored). Times are in any one unit, the same
throughout.

Sources: Kaplan & Meier 1958 (product-limit); Greenwood 1926 (variance); Kalbfleisch & Prentice
2002, 1.4 (log-log interval); Aalen & Johansen 1978 (competing ends); Klein & Moeschberger 2003,
4.5-4.6 (restricted mean, delayed entry) and 7.3 (log-rank).
"""

from dataclasses import dataclass
from statistics import NormalDist
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats: TypeAlias = NDArray[np.float64]
Bools: TypeAlias = NDArray[np.bool_]

# A product of fractions that ought to be exactly one half is off by a few last digits.
STEP_TOLERANCE = 1e-12


@dataclass(frozen=True)
class Curve:
    """A Kaplan-Meier curve: a right-continuous step
    function that falls at `times` and is 1 before them.

    All arrays have one entry for each distinct event time, in rising order. `hazard_variance` is
    Greenwood's running sum of d / (n (n - d)), infinite once everyone at risk has gone. `last_seen`
    is the greatest exit.
    """

    times: Floats
    at_risk: Floats
    events: Floats
    survival: Floats
    hazard_variance: Floats
    last_seen: float

    def at(self, when: ArrayLike) -> Floats:
        """Share not yet finished just after each time."""
        return _step_values(self.times, self.survival, when, before=1.0)

    def standard_error(self, when: ArrayLike) -> Floats:
        """Greenwood's standard error of `at(when)`; 0 once the curve has fallen to 0."""
        variance = _step_values(self.times, self.hazard_variance, when, before=0.0)
        share = self.at(when)
        return np.where(share > 0, share * np.sqrt(np.where(share > 0, variance, 0.0)), 0.0)

    def interval(self, when: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
        """Log-log interval (lower, upper) of `at(when)`;
        (1, 1) before the first event, (0, 0) at 0.
        """
        share = self.at(when)
        variance = _step_values(self.times, self.hazard_variance, when, before=0.0)
        inside = (share > 0) & (share < 1)
        log_share = np.log(np.where(inside, share, 0.5))
        spread = (
            NormalDist().inv_cdf(0.5 + level / 2)
            * np.sqrt(np.where(inside, variance, 0.0))
            / -log_share
        )
        lower = np.where(inside, np.exp(log_share * np.exp(spread)), share)
        upper = np.where(inside, np.exp(log_share * np.exp(-spread)), share)
        return lower, upper

    def quantile(self, probability: ArrayLike) -> Floats:
        """Earliest time by which at least this share has
        finished; inf where the curve never falls so far.

        It is the inverse of the step function: with nobody censored, Hyndman & Fan's type 1.
        """
        target = 1 - np.asarray(probability, dtype=float)
        place = np.searchsorted(-self.survival, -(target + STEP_TOLERANCE), side="left")
        return np.append(self.times, np.inf)[place]

    def remaining(self, age: float, probability: ArrayLike) -> Floats:
        """Quantiles of what remains, given still open just
        after `age`; inf where the curve does not tell.
        """
        alive = self.at(age)
        if alive <= 0:
            return np.full(np.shape(probability), np.inf)
        below = self.quantile(1 - alive * (1 - np.asarray(probability, dtype=float)))
        return np.maximum(below - age, 0.0)

    def restricted_mean(self, horizon: float) -> tuple[float, float]:
        """Mean of min(time, horizon) and its standard
        error: the area under the curve up to `horizon`.
        """
        edges, heights = self._steps(horizon)
        areas = heights * np.diff(edges)
        beyond = areas.sum() - np.cumsum(areas)[:-1]  # area to the right of each event time
        events, at_risk = self.events[: len(beyond)], self.at_risk[: len(beyond)]
        left = at_risk - events
        terms = np.where(
            left > 0, beyond**2 * events / (at_risk * np.where(left > 0, left, 1.0)), 0.0
        )
        return float(areas.sum()), float(np.sqrt(terms.sum()))

    def remaining_mean(self, age: float, horizon: float) -> float:
        """Mean of min(remaining time, horizon - age) given
        still open just after `age`; nan if nobody is.
        """
        alive = float(self.at(age))
        if alive <= 0:
            return float("nan")
        return (self.restricted_mean(horizon)[0] - self.restricted_mean(age)[0]) / alive

    def _steps(self, horizon: float) -> tuple[Floats, Floats]:
        count = int(np.searchsorted(self.times, horizon, side="left"))
        edges = np.concatenate(([0.0], self.times[:count], [horizon]))
        return edges, np.concatenate(([1.0], self.survival[:count]))


def kaplan_meier(exit: ArrayLike, event: ArrayLike, entry: ArrayLike | None = None) -> Curve:
    """The product-limit curve of one-dimensional arrays; `event` is true where the end was seen.

    `entry` is the age at which each row came under watch (delayed entry); without it, rows were
    watched from the start, and an event at time 0 counts. Rows that left before they came are
    refused with ValueError.
    """
    leave, seen, come = _checked(exit, event, entry)
    times, events, at_risk = _ends(leave, seen)
    if come is not None:
        at_risk = at_risk - leave.size + _before(times, come)
    share = events / at_risk
    with np.errstate(divide="ignore"):
        variance = np.cumsum(share / (at_risk - events))
    return Curve(
        times=times,
        at_risk=at_risk,
        events=events,
        survival=_product(1 - share),
        hazard_variance=variance,
        last_seen=float(leave.max(initial=0.0)),
    )


@dataclass(frozen=True)
class Incidence:
    """Shares that ended in each way by each time (Aalen-Johansen); `shares` is ends x times."""

    times: Floats
    ends: NDArray[np.int64]
    shares: Floats

    def at(self, end: int, when: ArrayLike) -> Floats:
        """Share that ended in this way by each time."""
        row = int(np.flatnonzero(self.ends == end)[0])
        return _step_values(self.times, self.shares[row], when, before=0.0)


def cumulative_incidence(
    exit: ArrayLike, end: ArrayLike, entry: ArrayLike | None = None
) -> Incidence:
    """Aalen-Johansen shares with competing ends; `end` is 0 where censored, else a positive code.

    The shares of all ends and the Kaplan-Meier share of no end at all add up to 1 at every time.
    """
    codes = np.asarray(end, dtype=np.int64)
    leave, seen, _ = _checked(exit, codes > 0, entry)
    overall = kaplan_meier(leave, seen, entry)
    before = (
        np.concatenate(([1.0], overall.survival[:-1])) if overall.times.size else overall.survival
    )
    kinds = np.unique(codes[seen])
    shares = np.empty((kinds.size, overall.times.size))
    for row, kind in enumerate(kinds):
        place = np.searchsorted(overall.times, leave[codes == kind])
        count = np.bincount(place, minlength=overall.times.size)
        shares[row] = np.cumsum(before * count / overall.at_risk)
    return Incidence(overall.times, kinds, shares)


def log_rank(first: tuple[ArrayLike, ArrayLike], second: tuple[ArrayLike, ArrayLike]) -> float:
    """Chi-square (1 degree of freedom) of two groups
    of (exit, event) having one curve (Mantel 1966).
    """
    one, other = kaplan_meier(*first), kaplan_meier(*second)
    times = np.union1d(one.times, other.times)
    leave_one, leave_other = np.asarray(first[0], dtype=float), np.asarray(second[0], dtype=float)
    risk_one = leave_one.size - _before(times, leave_one)
    risk = risk_one + leave_other.size - _before(times, leave_other)
    hit_one = _counts_at(times, one)
    hit = hit_one + _counts_at(times, other)
    expected = hit * risk_one / risk
    several = risk > 1
    spread = (expected * (1 - risk_one / risk) * (risk - hit))[several] / (risk[several] - 1)
    return float((hit_one - expected).sum() ** 2 / spread.sum())


def _checked(
    exit: ArrayLike, event: ArrayLike, entry: ArrayLike | None
) -> tuple[Floats, Bools, Floats | None]:
    leave = np.asarray(exit, dtype=float)
    seen = np.asarray(event, dtype=bool)
    if leave.ndim != 1 or seen.shape != leave.shape:
        raise ValueError("exit and event must be one-dimensional and of one length")
    if not (leave >= 0).all():
        raise ValueError(
            "exit times must be known and not negative; give an open row its age and event = false"
        )
    if entry is None:
        return leave, seen, None
    come = np.asarray(entry, dtype=float)
    if come.shape != leave.shape or not (come <= leave).all():
        raise ValueError("every row must come under watch before it leaves")
    under_watch = come < leave  # a row watched for no time at all was never at risk
    return leave[under_watch], seen[under_watch], come[under_watch]


def _ends(leave: Floats, seen: Bools) -> tuple[Floats, Floats, Floats]:
    """Distinct event times, how many ended at each, and how many had not left before it.

    One sort does it all. The bits of floats from 0 up rise with their values and their sign bit is
    free: moved up by one, it makes room for a last bit that puts the censored behind the events of
    their time. Most of the rest is waiting for memory, so that few arrays are made.
    """
    keys = leave.view(np.uint64) << np.uint64(1)  # a -0.0 becomes a plain 0
    keys |= ~seen
    keys.sort()
    ended = (keys.astype(np.uint8) & 1) == 0
    new = ended.copy()
    new[1:] &= keys[1:] != keys[:-1]
    first = np.flatnonzero(new)
    times: Floats = (keys[first] >> np.uint64(1)).view(np.float64)
    if first.size == np.count_nonzero(ended):  # no two at one time
        events = np.ones(first.size)
    else:
        so_far = np.cumsum(ended)
        events = np.diff(so_far[first], append=so_far[-1:] + 1).astype(float)
    return times, events, (leave.size - first).astype(float)


def _before(times: Floats, values: Floats) -> Floats:
    """How many values lie before each time."""
    return np.searchsorted(np.sort(values), times, "left").astype(float)


def _product(factors: Floats) -> Floats:
    running: Floats = np.multiply.accumulate(factors)
    return running


def _step_values(times: Floats, values: Floats, when: ArrayLike, before: float) -> Floats:
    place = np.searchsorted(times, np.asarray(when, dtype=float), side="right")
    found: Floats = np.concatenate(([before], values))[place]
    return found


def _counts_at(times: Floats, curve: Curve) -> Floats:
    counts = np.zeros(times.size)
    counts[np.searchsorted(times, curve.times)] = curve.events
    return counts
