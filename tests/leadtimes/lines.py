"""Made-up lines of work as stay logs, each from a seeded generator; times in days."""

import heapq
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.log import DAY, StayLog, make_log

Stay = tuple[int, int, float, float]  # piece, step, entered, left
START: Final = 1_700_000_000.0


def line(
    generator: Generator,
    arrivals: np.ndarray,
    servers: list[int],
    mean_days: list[float],
    rework: float = 0.0,
    spread: float = 0.6,
) -> list[Stay]:
    """First come, first served at each step with some
    people; after the last step a share goes back by two.
    """
    free = [[0.0] * count for count in servers]
    events = [(float(when), piece, 0) for piece, when in enumerate(arrivals)]
    heapq.heapify(events)
    stays: list[Stay] = []
    while events:
        when, piece, step = heapq.heappop(events)
        begin = max(when, heapq.heappop(free[step]))
        work = mean_days[step] * float(generator.lognormal(-(spread**2) / 2, spread))
        heapq.heappush(free[step], begin + work)
        stays.append((piece, step, when, begin + work))
        back = step == len(servers) - 1 and generator.random() < rework
        if back:
            heapq.heappush(events, (begin + work, piece, max(step - 2, 0)))
        elif step < len(servers) - 1:
            heapq.heappush(events, (begin + work, piece, step + 1))
    return stays


def poisson(generator: Generator, count: int, per_day: float) -> np.ndarray:
    return np.cumsum(generator.exponential(1 / per_day, count))


def cut(stays: list[Stay], end: float, given_up: dict[int, float] | None = None) -> StayLog:
    """What an extract on day `end` holds; `given_up` says
    when a piece was cancelled, if it was still open.
    """
    gone = given_up or {}
    last = {}
    for piece, _, _, left in stays:
        last[piece] = max(left, last.get(piece, 0.0))
    rows = []
    for piece, step, entered, left in stays:
        stop = gone.get(piece, np.inf)
        stop = stop if stop < last[piece] else np.inf
        if entered >= min(stop, end):
            continue
        if stop <= min(left, end):
            rows.append((piece, step, entered, stop, True))
        else:
            rows.append((piece, step, entered, left if left <= end else np.nan, False))
    piece, step, entered, left, cancelled = (np.array(column) for column in zip(*rows, strict=True))
    names = [f"step {number}" for number in range(int(step.max()) + 1)]
    return make_log(
        piece, step, START + entered * DAY, START + left * DAY, cancelled.astype(bool), steps=names
    )


def stationary(g: Generator) -> StayLog:
    arrivals = poisson(g, 700, 1.0)
    return cut(line(g, arrivals, [1, 3, 5, 3, 1], [0.6, 2.0, 3.5, 1.9, 0.6]), arrivals[-1])


def load_doubles(g: Generator) -> StayLog:
    arrivals = np.concatenate((poisson(g, 300, 0.5), 600 + poisson(g, 500, 1.0)))
    return cut(line(g, arrivals, [1, 3, 5, 3, 1], [0.8, 2.5, 4.4, 2.5, 0.8]), arrivals[-1])


def half_open(g: Generator) -> StayLog:
    arrivals = poisson(g, 500, 1.0)
    stays = line(g, arrivals, [400] * 4, [20.0, 60.0, 90.0, 40.0])
    return cut(stays, arrivals[-1])


def age_matters(g: Generator) -> StayLog:
    """Every piece is finished for its day, wherever it then stands."""
    stays = []
    for piece, when in enumerate(poisson(g, 800, 1.0)):
        whole = max(g.normal(50, 7), 10)
        marks = np.sort(g.random(2)) * whole * 0.98
        edges = when + np.concatenate(([0], marks, [whole]))
        stays += [(piece, s, float(edges[s]), float(edges[s + 1])) for s in range(3)]
    return cut(stays, 800.0)


def step_matters(g: Generator) -> StayLog:
    """Memoryless stays of three very different lengths."""
    stays = []
    for piece, when in enumerate(poisson(g, 800, 1.0)):
        edges = when + np.concatenate(([0], np.cumsum(g.exponential([30, 3, 12]))))
        stays += [(piece, s, float(edges[s]), float(edges[s + 1])) for s in range(3)]
    return cut(stays, 800.0)


def rework_loops(g: Generator) -> StayLog:
    arrivals = poisson(g, 800, 1.0)
    stays = line(g, arrivals, [2, 5, 8, 4], [1.2, 2.8, 4.5, 2.2], rework=0.3)
    return cut(stays, arrivals[-1])


def forty_pieces(g: Generator) -> StayLog:
    arrivals = poisson(g, 40, 0.25)
    return cut(
        line(g, arrivals, [1, 2, 2, 1], [2.0, 5.0, 6.0, 2.0], rework=0.15), arrivals[-1] + 10
    )


def own_pace(g: Generator) -> StayLog:
    """Some pieces are slow in everything: what lies behind tells of what is to come."""
    stays = []
    for piece, when in enumerate(poisson(g, 900, 1.0)):
        pace = g.lognormal(0, 0.6)
        edges = when + np.concatenate(([0], np.cumsum(pace * g.gamma(2, [2, 4, 1, 5, 3, 2]))))
        stays += [(piece, s, float(edges[s]), float(edges[s + 1])) for s in range(6)]
    return cut(stays, 900.0)


def many_ways(g: Generator) -> StayLog:
    """Four kinds of pieces with ways of their own
    through twelve steps, heavy tails, a few given up.
    """
    ways = [[0, 1, 2, 11], [0, 3, 4, 5, 2, 11], [0, 6, 7, 6, 7, 8, 11], [0, 1, 9, 10, 9, 11]]
    scale = np.array([0.5, 2, 1, 6, 12, 3, 4, 0.1, 20, 8, 3, 0.3])
    stays, gone = [], {}
    for piece, when in enumerate(poisson(g, 1500, 3.0)):
        here = float(when)
        for step in ways[g.choice(4, p=[0.5, 0.25, 0.15, 0.1])]:
            length = float(scale[step] * g.lognormal(0, 1.1))
            stays.append((piece, step, here, here + length))
            here += length
        if g.random() < 0.1:
            gone[piece] = float(when + g.exponential(15))
    return cut(stays, 500.0, gone)


def mostly_short(g: Generator) -> StayLog:
    """Calls of minutes and hours; one in eight waits for somebody else for weeks."""
    stays = []
    for piece, when in enumerate(poisson(g, 4000, 40.0)):
        here = float(when)
        waits = g.random() < 0.12
        for step, mean in ((0, 0.02), (1, 0.3), (2, 18.0), (3, 0.1)):
            if step == 2 and not waits:
                continue
            length = float(mean * g.lognormal(0, 1.0))
            stays.append((piece, step, here, here + length))
            here += length
    return cut(stays, 100.0)


ASKED: Final[dict[str, Callable[[Generator], StayLog]]] = {
    "stationary line": stationary,
    "load doubles halfway": load_doubles,
    "half open at the end": half_open,
    "age matters": age_matters,
    "step matters": step_matters,
    "rework loops": rework_loops,
    "40 pieces": forty_pieces,
}
FURTHER: Final[dict[str, Callable[[Generator], StayLog]]] = {
    "own pace": own_pace,
    "many ways": many_ways,
    "mostly short": mostly_short,
}
