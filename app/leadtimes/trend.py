"""Whether times change: the shift between two spans, and a chart that sees slow drift."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from app.leadtimes.survival import Floats

NORMAL_95: Final = 1.959964  # the standard normal's 97.5 % point


@dataclass(frozen=True, slots=True)
class Shift:
    """How much longer the later values are, in their own unit, with a 95 % interval."""

    typical: float
    lower: float
    upper: float

    @property
    def sure(self) -> bool:
        """Whether the interval leaves no doubt about the direction."""
        return self.lower > 0 or self.upper < 0


def shift(before: ArrayLike, after: ArrayLike) -> Shift:
    """Hodges and Lehmann's shift (1963): the median of all differences between a later and an
    earlier value, with the large-sample interval of the rank-sum test (Hollander & Wolfe,
    Nonparametric Statistical Methods, 4.3).

    One freak among many moves neither. ValueError where either side is empty.
    """
    old, new = np.asarray(before, dtype=float), np.asarray(after, dtype=float)
    if not old.size or not new.size:
        raise ValueError("a shift needs values on both sides")
    differences: Floats = np.sort((new[:, None] - old[None, :]).ravel())
    pairs = differences.size
    spread = NORMAL_95 * np.sqrt(pairs * (old.size + new.size + 1) / 12)
    rank = max(1, int(np.floor(pairs / 2 - spread)))
    return Shift(
        float(np.median(differences)), float(differences[rank - 1]), float(differences[-rank])
    )


@dataclass(frozen=True, slots=True)
class Drift:
    """An EWMA chart: its centre, its limits, the weighted averages, and which lie outside."""

    centre: float
    lower: float
    upper: float
    averages: tuple[float, ...]
    outside: tuple[int, ...]

    @property
    def since(self) -> int | None:
        """Where the run outside that lasts until the end begins; None where it has come back."""
        last = len(self.averages) - 1
        if last not in self.outside:
            return None
        while last - 1 in self.outside:
            last -= 1
        return last


def ewma_chart(
    values: ArrayLike, centre: float, sigma: float, weight: float = 0.2, width: float = 3.0
) -> Drift:
    """Exponentially weighted moving averages, begun at `centre`, with limits of `width` sigma.

    NIST/SEMATECH e-Handbook 6.3.2.4: z[i] = weight·y[i] + (1 - weight)·z[i-1], limits
    centre ± width·sigma·√(weight / (2 - weight)). ValueError unless 0 < weight ≤ 1.
    """
    if not 0 < weight <= 1:
        raise ValueError("the weight lies above 0, up to 1")
    averages, at = [], centre
    for value in np.asarray(values, dtype=float).tolist():
        at = weight * value + (1 - weight) * at
        averages.append(at)
    reach = width * sigma * float(np.sqrt(weight / (2 - weight)))
    outside = tuple(n for n, average in enumerate(averages) if abs(average - centre) > reach)
    return Drift(centre, centre - reach, centre + reach, tuple(averages), outside)
