"""What somebody new saves: as `whatif` says it, and as it came in the invented studio.

    python tests/benchmarks/bench_hire.py [seed, ...]

In the invented history somebody who inspects is taken on. For each seed the history is made with
and without: orders and chances are the same from then on (common random numbers), so that each
piece shows what the hire saved it. The simulation is asked on the morning of that day, of the same
pieces, knowing what was written down by then.
"""

import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from app.leadtimes.floor import Comparison, apply_changes, parse_change, simulate
from app.owner import whatif_command
from app.shared.calendar import DAY
from app.shared.places import DataFolder
from tests.demo.invented import invent, rows
from tests.leadtimes.floor_calibration import RUNS, as_of, what_came

NEW = "inspection people=+1"
SEEDS = tuple(range(1, 7))


@dataclass(frozen=True)
class Saved:
    """Days saved by piece on the floor on the day of the hire: simulated means, and as they came.

    `error` is the simulation's own of the mean.
    """

    simulated: np.ndarray
    happened: np.ndarray
    error: float


def day_of_the_hire(folder: DataFolder) -> int:
    """When the newest account was made."""
    return int(rows(folder, "SELECT max(made_at) AS at FROM accounts")[0]["at"])


def saved(with_hire: DataFolder, without: DataFolder, runs: int = RUNS) -> Saved:
    """What the hire saved, of the copies whose ready day is known from both histories."""
    at = day_of_the_hire(with_hire)
    with as_of(without, at) as workshop:
        floor = whatif_command.floor_of(workshop).floor
    then = apply_changes(floor, [whatif_command.by_name(parse_change(NEW))])
    both = Comparison(simulate(floor, runs), simulate(then, runs))
    came, came_without = (what_came(one.database_file, at)[0] for one in (with_hire, without))
    sooner = (both.now.ready - both.then.ready) / 24
    here = [
        (i, (came_without[piece.key] - came[piece.key]) / DAY)
        for i, piece in enumerate(floor.pieces)
        if piece.last is None and piece.key in came and piece.key in came_without
    ]
    places, days = zip(*here, strict=True)
    mine = sooner[:, list(places)]
    by_run = mine.mean(axis=1)
    return Saved(mine.mean(axis=0), np.array(days), float(by_run.std(ddof=1) / len(by_run) ** 0.5))


def main(seeds: Iterable[int]) -> None:
    """Both for each seed, and over all pieces."""
    found = []
    print(f"{'seed':>5} {'copies':>7} {'simulated':>16} {'happened':>16}")
    for seed in seeds:
        with tempfile.TemporaryDirectory() as place:
            made = [
                invent(Path(place) / name, seed=seed, hires=hires)[0]
                for name, hires in (("with", True), ("without", False))
            ]
            one = saved(*made)
        found.append(one)
        print(f"{seed:>5} {_line(one)}", flush=True)
    every = Saved(
        np.concatenate([one.simulated for one in found]),
        np.concatenate([one.happened for one in found]),
        float(np.mean([one.error**2 for one in found]) ** 0.5 / len(found) ** 0.5),
    )
    print(f"{'all':>5} {_line(every)}")


def _line(one: Saved) -> str:
    said, came = one.simulated.mean(), one.happened.mean()
    error = one.happened.std(ddof=1) / one.happened.size**0.5
    return f"{one.happened.size:>7} {said:>8.2f} ± {one.error:.2f} {came:>10.2f} ± {error:.2f}"


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or SEEDS)
