"""How far a rate can be trusted. Apart from the other statistics, because it needs no numpy."""

from math import sqrt
from statistics import NormalDist


def wilson(hits: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Wilson's interval of a rate, without continuity correction (Newcombe 1998, method 3).

    With n = 0 nothing is known and the interval is (0, 1). ValueError unless 0 <= hits <= n.
    """
    if not 0 <= hits <= n:
        raise ValueError("hits must lie between 0 and n")
    if n == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + level / 2)
    rate, room = hits / n, z * z / n
    centre = (rate + room / 2) / (1 + room)
    half = z / (1 + room) * sqrt(rate * (1 - rate) / n + room / (4 * n))
    return (0.0 if hits == 0 else centre - half), (1.0 if hits == n else centre + half)
