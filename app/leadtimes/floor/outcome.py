"""Running the floor, and what comes out of it, each number with the simulation's own error."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.leadtimes.floor.arrays import FloorArrays, in_order, lay_out
from app.leadtimes.floor.draws import replication_keys
from app.leadtimes.floor.lockstep import Lockstep
from app.leadtimes.floor.model import Floor
from app.leadtimes.floor.newcomers import door_book, newcomers
from app.leadtimes.progress import Progress

Floats = NDArray[np.float64]

# So many replications move together: few enough for their state to stay in the cache.
TOGETHER = 2000


@dataclass(frozen=True, eq=False)
class Estimate:
    """A figure and the standard error that the simulation itself leaves in it, same shape."""

    value: Floats
    error: Floats


@dataclass(frozen=True, eq=False)
class Outcome:
    """R replications of a floor of S steps, today's P pieces and K crews. Hours since now.

    `ready` (R × P) is when each piece has passed its last step. By step (R × S): `begun`, stays
    taken up within the horizon; `wait`, hours that these had waited; `queued`, hours waited within
    the horizon by anybody; `busy`, hours of work done within it. By crew (R × K): `at_work`, hours
    of work done within the horizon.
    """

    floor: Floor
    ready: Floats
    wait: Floats
    begun: Floats
    busy: Floats
    queued: Floats
    open_hours: Floats  # S: hours of work the step's hours hold within the horizon
    places: Floats  # S, infinite without limit
    at_work: Floats
    crew_hours: Floats  # K: hours that its people have within the horizon

    def ready_at(self, shares: ArrayLike) -> Estimate:
        """Quantiles (type 7) of each piece's ready hour, P × len(shares)."""
        return quantiles(self.ready, shares)

    def wait_hours(self) -> Estimate:
        """Mean hours waited before a stay that begins within the horizon, by step (0 for none)."""
        return ratio(self.wait, self.begun)

    def waiting(self) -> Estimate:
        """Mean number of pieces waiting at each step within the horizon."""
        return mean(self.queued / self.floor.horizon_h)

    def busy_share(self) -> Estimate:
        """Share of each step's people or machines at work in its hours; 0 for one without limit."""
        return mean(self.busy_by_run())

    def crew_busy(self) -> Estimate:
        """Share of each crew's hours in which its people have something in hand."""
        return mean(self.crew_busy_by_run())

    def bottleneck(self) -> Estimate:
        """By step and then by crew, the share of replications in which it is the busiest of all.

        The bottleneck is what is used most (Hopp & Spearman, Factory Physics, from memory); of
        those busy alike to a thousandth, the one in front of which pieces waited longer in all.
        """
        pressure = self._pressure()
        busiest = pressure.argmax(axis=1)
        return mean(np.equal.outer(busiest, np.arange(pressure.shape[1])).astype(np.float64))

    def busiest(self) -> tuple[int, ...]:
        """What is limited, from the busiest on: the bottleneck, then what comes next. Below S it is
        a step, from S on a crew.
        """
        limited = np.append(np.isfinite(self.places), np.full(self.crew_hours.size, True))
        ranked = np.argsort(-self._pressure().mean(axis=0), kind="stable")
        return tuple(int(i) for i in ranked if limited[i])

    def _pressure(self) -> Floats:
        """Busy share to a thousandth, and a smaller part for the hours waited in front of it."""
        does = np.array([[s.name in c.steps for c in self.floor.crews] for s in self.floor.steps])
        waited = np.hstack((self.queued, self.queued @ does.reshape(self.places.size, -1)))
        waited /= np.maximum(self.queued.max(axis=1, keepdims=True), 1e-12)
        busy = np.hstack((self.busy_by_run(), self.crew_busy_by_run()))
        limited = np.append(np.isfinite(self.places), np.full(self.crew_hours.size, True))
        return np.where(limited, np.round(busy, 3) + 5e-4 * np.minimum(waited, 1.0), -1.0)

    def crew_busy_by_run(self) -> Floats:
        """R × K: the busy share of each crew in each replication."""
        return np.asarray(self.at_work / np.maximum(self.crew_hours, 1e-12))

    def busy_by_run(self) -> Floats:
        """R × S: the busy share in each replication."""
        return np.asarray(self.busy / np.maximum(self.open_hours * self.places, 1e-12))


def mean(values: Floats) -> Estimate:
    """The mean over replications (the first axis) and its standard error, s/√R."""
    count = values.shape[0]
    return Estimate(values.mean(axis=0), np.asarray(values.std(axis=0, ddof=1) / np.sqrt(count)))


def ratio_parts(top: Floats, bottom: Floats) -> tuple[Floats, Floats]:
    """Sum over sum by column (0 where the lower one is 0), and each replication's linear part."""
    below = bottom.mean(axis=0)
    value = np.divide(top.mean(axis=0), below, out=np.zeros_like(below), where=below > 0)
    parts = top - value * bottom
    return value, np.divide(parts, below, out=np.zeros_like(parts), where=below > 0)


def ratio(top: Floats, bottom: Floats) -> Estimate:
    """Sum over sum, with the error of a ratio of means by its linear part (Cochran 1977, 2.11)."""
    value, parts = ratio_parts(top, bottom)
    return Estimate(value, mean(parts).error)


def quantiles(values: Floats, shares: ArrayLike) -> Estimate:
    """Quantiles (type 7) over replications, columns × shares.

    The error is half the distance of the order statistics one standard deviation of the binomial
    below and above (David & Nagaraja, Order Statistics, 7.1, from memory).
    """
    p = np.atleast_1d(np.asarray(shares, dtype=np.float64))
    ordered = np.sort(values, axis=0)
    count = ordered.shape[0]
    spread = np.sqrt(count * p * (1 - p))
    low = np.clip(np.floor(count * p - spread).astype(np.int64), 0, count - 1)
    high = np.clip(np.ceil(count * p + spread).astype(np.int64), 0, count - 1)
    at = p * (count - 1)
    under = at.astype(np.int64)
    over = np.minimum(under + 1, count - 1)
    value = ordered[under] + (at - under)[:, None] * (ordered[over] - ordered[under])
    return Estimate(value.T, ((ordered[high] - ordered[low]) / 2).T)


def run_plan(
    plan: FloorArrays,
    keys: NDArray[np.uint64],
    door_hour: Floats,
    door_piece: NDArray[np.int64],
    progress: Progress | None = None,
) -> tuple[Floats, ...]:
    """ready (R × P), wait, begun, busy, queued (R × S) and at work (R × crews, nobody last) of a
    plan.
    """
    rows, found = keys.size, []
    for a in range(0, rows, TOGETHER):
        part = slice(a, a + TOGETHER)
        lanes = Lockstep(plan, keys[part], door_hour[part], door_piece[part])
        lanes.run()
        found.append(lanes.filled())
        if progress:
            progress(min(a + TOGETHER, rows), rows)
    return tuple(np.concatenate(parts) for parts in zip(*found, strict=True))


def simulate(
    floor: Floor, replications: int = 1000, seed: int = 0, progress: Progress | None = None
) -> Outcome:
    """Run the floor so many times. `progress` is told (done, of how many) now and then.

    Raises ValueError for a floor that makes no sense, or whose open hours are not known for long
    enough.
    """
    if replications < 2:
        raise ValueError("Two replications at least: one says nothing about its own error.")
    keys = replication_keys(seed, 0, replications)
    late = newcomers(floor, keys)
    plan, book = lay_out(floor, late), door_book(floor, late)
    ready, *by_step = run_plan(plan, keys, *book, progress)
    known = min(s.hours.until for s in floor.steps)
    over = ready[np.isfinite(ready)].max(initial=floor.horizon_h)
    if over > known:
        raise ValueError(
            f"The open hours are known for {known / 24:.0f} days, the work lasts {over / 24:.0f}."
        )
    places = np.array([np.inf if s.places is None else s.places for s in floor.steps])
    wait, begun, busy, queued, at_work = by_step
    return Outcome(
        floor, _leaving_together(floor, ready), wait, begun, busy, queued,
        plan.worked_horizon, places, *_by_crew(floor, plan, at_work),
    )  # fmt: skip


def _leaving_together(floor: Floor, ready: Floats) -> Floats:
    """Ready hours of today's pieces, those of a group with the last of it."""
    today = ready[:, : len(floor.pieces)]
    at = {piece.key: i for i, piece in enumerate(floor.pieces)}
    for group in floor.together:
        columns = [at[key] for key in group]
        today[:, columns] = today[:, columns].max(axis=1, keepdims=True)
    return today


def _by_crew(floor: Floor, plan: FloorArrays, at_work: Floats) -> tuple[Floats, Floats]:
    """Hours at work (R × K) and hours there are (K) of the crews, as the floor names them."""
    order = in_order(floor.crews)
    hours = [
        crew.people * max(plan.worked_horizon[floor.index(step)] for step in crew.steps)
        for crew in floor.crews
    ]
    columns = [order.index(crew) for crew in floor.crews]
    return at_work[:, columns], np.array(hours, dtype=np.float64)
