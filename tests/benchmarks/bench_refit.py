"""Ranges worked out anew: `PYTHONPATH=. python tests/benchmarks/bench_refit.py [FOLDER]`.

First the invented studio as it comes (FOLDER keeps it, made where it is not there): all that its
child process works out after something has happened, from reading the log to the ranges; to reach:
5 s. Then a workshop of nine steps with 400 open copies: their ranges by the chosen method, refitted
with its rehearsals, and 2 000 replications of its floor; to reach: 2 s.

Seconds of CPU, median of rounds, best wall time, and the ratio to sorting five million numbers in
the same round: a machine that does much else shows in both.
"""

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from statistics import median
from time import perf_counter, process_time

import numpy as np

from app.leadtimes.floor import simulate
from app.leadtimes.forecast.levels import POINTS
from app.leadtimes.forecast.pieces import forecast_with_record
from app.leadtimes.log import DAY, StayLog
from app.orders.forecast.figuring import figure
from app.shared import clock
from tests.benchmarks.bench_floor import nine_steps
from tests.benchmarks.bench_leadtimes import studio
from tests.leadtimes import lines

ROUNDS = 5
OPEN = 400


def four_hundred_open() -> tuple[StayLog, float]:
    """Some 2 400 pieces, about five begun a day, of which the last day of the log leaves 400 open."""
    generator = np.random.default_rng(7)
    arrivals = lines.poisson(generator, 2_400, 5.0)
    stays = lines.line(generator, arrivals, [900] * 9, [9.5] * 9)
    for end in np.linspace(arrivals[-1], arrivals[0], 2_000):
        log = lines.cut(stays, float(end))
        still = int(np.isnan(log.left).sum())
        if still <= OPEN:
            return log, lines.START + float(end) * DAY
    raise AssertionError("never so few open")


def measured(name: str, goal: float, work: Callable[[], object]) -> None:
    numbers = np.random.default_rng(1).random(5_000_000)
    busy, walls, ratios = [], [], []
    for _ in range(ROUNDS):
        began = process_time()
        np.sort(numbers)
        floor = process_time() - began
        wall, began = perf_counter(), process_time()
        work()
        busy.append(process_time() - began)
        walls.append(perf_counter() - wall)
        ratios.append(busy[-1] / floor)
    print(
        f"{name:46} {median(busy):6.2f} s CPU, {min(walls):6.2f} s wall, "
        f"{median(ratios):6.1f} x the sort (goal {goal:g} s)",
        flush=True,
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as spare:
        folder = studio(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(spare), 14, 45)
        now = clock.now()
        print(f"{len(figure(folder.database_file, now).orders)} open orders in the invented studio")
        measured("the invented studio's figures", 5, lambda: figure(folder.database_file, now))
    log, when = four_hundred_open()
    print(f"{np.unique(log.piece).size} pieces, {int(np.isnan(log.left).sum())} open")

    def ranges() -> None:
        forecast_with_record(log, when, None, np.random.default_rng(1))

    measured("400 open copies, chosen method", 2, ranges)
    floor = nine_steps(OPEN, first=4)

    def replications() -> None:
        simulate(floor, 2_000, 1).ready_at(POINTS.tolist())

    measured("400 open copies, 2 000 replications", 2, replications)


if __name__ == "__main__":
    main()
