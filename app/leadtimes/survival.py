"""Survival curves of lead times, with open pieces counted as censored.

A row is one piece under watch: at risk from `entry` (exclusive) to `exit` (inclusive), and at
`exit` either the event happened or the watch ended (censored). Times are in any one unit, the same
throughout.

Sources: Kaplan & Meier 1958 (product-limit); Greenwood 1926 (variance); Klein & Moeschberger
2003, 4.6 (delayed entry).
"""

from dataclasses import dataclass
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

    def quantile(self, probability: ArrayLike) -> Floats:
        """Earliest time by which at least this share has
        finished; inf where the curve never falls so far.

        It is the inverse of the step function: with nobody censored, Hyndman & Fan's type 1.
        """
        target = 1 - np.asarray(probability, dtype=float)
        place = np.searchsorted(-self.survival, -(target + STEP_TOLERANCE), side="left")
        return np.append(self.times, np.inf)[place]


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
