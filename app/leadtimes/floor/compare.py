"""Now against then: two floors under the same chances, and what differs, run by run."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.leadtimes.floor.model import Floor
from app.leadtimes.floor.outcome import (
    Estimate,
    Outcome,
    mean,
    quantiles,
    ratio_parts,
    simulate,
)  # fmt: skip
from app.leadtimes.progress import Progress

Floats = NDArray[np.float64]
SECTIONS = 20


@dataclass(frozen=True, eq=False)
class Comparison:
    """Both outcomes and their paired differences, always then minus now.

    Since each piece draws the same work on both floors, a difference is far surer than either
    figure: its error is that of the differences run by run (Law, chapter 11, from memory).
    """

    now: Outcome
    then: Outcome

    def typical_change(self) -> Estimate:
        """Hours by which today's pieces are ready later (sooner: negative), on average."""
        return mean((self.then.ready - self.now.ready).mean(axis=1))

    def last_change(self) -> Estimate:
        """Hours by which the last of today's pieces is ready later."""
        return mean(self.then.ready.max(axis=1) - self.now.ready.max(axis=1))

    def quantile_change(self, shares: ArrayLike) -> Estimate:
        """Change of each piece's quantiles, P × shares; error by sectioning: 20 groups of runs,
        each with its own difference (Asmussen & Glynn 2007, III.5, from memory). NaN under 40 runs.
        """

        def apart(after: Floats, before: Floats) -> Floats:
            return quantiles(after, shares).value - quantiles(before, shares).value

        value = apart(self.then.ready, self.now.ready)
        if self.now.ready.shape[0] < 2 * SECTIONS:
            return Estimate(value, np.full_like(value, np.nan))
        after, before = (np.array_split(o.ready, SECTIONS) for o in (self.then, self.now))
        return Estimate(value, mean(np.stack([*map(apart, after, before)])).error)

    def wait_change(self) -> Estimate:
        """Change of the mean hours waited before a stay, by step."""
        after, after_parts = ratio_parts(self.then.wait, self.then.begun)
        before, before_parts = ratio_parts(self.now.wait, self.now.begun)
        return Estimate(after - before, mean(after_parts - before_parts).error)

    def waiting_change(self) -> Estimate:
        """Change of the mean number of pieces waiting, by step."""
        return mean((self.then.queued - self.now.queued) / self.now.floor.horizon_h)

    def busy_change(self) -> Estimate:
        """Change of the busy share, by step."""
        return mean(self.then.busy_by_run() - self.now.busy_by_run())


def compare(
    now: Floor,
    then: Floor,
    replications: int = 1000,
    seed: int = 0,
    progress: Progress | None = None,
) -> Comparison:
    """Run both floors with the same chances. Raises ValueError where they do not hold the same
    steps and pieces, in the same order, over the same horizon.
    """
    if [s.name for s in now.steps] != [s.name for s in then.steps]:
        raise ValueError("Two floors are compared step by step: they need the same steps.")
    if [p.key for p in now.pieces] != [p.key for p in then.pieces]:
        raise ValueError("Two floors are compared piece by piece: they need the same pieces.")
    if now.horizon_h != then.horizon_h:
        raise ValueError("Two floors are compared over the same horizon.")

    def told(before: int) -> Progress | None:
        if progress is None:
            return None
        return lambda done, rows: progress(before + done, 2 * rows)

    return Comparison(
        simulate(now, replications, seed, told(0)),
        simulate(then, replications, seed, told(replications)),
    )
