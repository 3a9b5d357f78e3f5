"""The forecast on made-up lines beside its targets: `PYTHONPATH=. python
tests/benchmarks/bench_forecast.py [seed ...]`.

For every table: the loss at 0.5 of what was chosen relative to `reached` on the same rows (to reach:
0.97), how often the 85 % point held (82 to 90) and the range from 10 to 90 % (77 to 85); on fewer
than 300 rows or where many are unresolved, whether the interval by piece, or the bounds, hold .85
and .80. `best` is the best single method, `drop` is `reached` fitted without what
is still open.
"""

import sys
from time import perf_counter

import numpy as np

from app.leadtimes.backtest import BacktestResult, run_backtest
from app.leadtimes.forecast.levels import POINTS, at_levels
from app.leadtimes.forecast.paths import paths_of
from app.leadtimes.log import DAY
from app.leadtimes.scoring import score
from app.leadtimes.stay_table import Table
from tests.leadtimes import lines, more_lines, noted_lines
from tests.leadtimes.complete_cases import complete_cases

FEW = 300
TABLES = {**lines.ASKED, **lines.FURTHER, **more_lines.MORE, **noted_lines.NOTED}


def judged(name: str, seed: int) -> tuple[BacktestResult, float]:
    log = TABLES[name](np.random.default_rng(seed))
    table = Table(log, tuple(str(n) for n in range(int(log.piece.max()) + 1)))
    every = 1.0 if name == "mostly short" else 7.0
    start = perf_counter()
    return run_backtest(table, every, 0.7, np.random.default_rng(seed)), perf_counter() - start


def loss_without_open(found: BacktestResult, name: str, seed: int) -> float:
    """The loss at 0.5 of complete cases on the days of a backtest."""
    log = TABLES[name](np.random.default_rng(seed))
    paths = paths_of(log)
    end = float(max(paths.entered.max(), np.nanmax(np.append(paths.left, -np.inf))))
    told, rest, seen, piece = [], [], [], []
    for at in sorted({row.at.timestamp() for row in found.rows}):
        day = (at - paths.base) / DAY + 1e-6  # rows are told to the microsecond
        moments = paths.open_at(day)
        told.append(at_levels(complete_cases(log, paths, day).predict(moments), POINTS))
        for column, values in zip((rest, seen), paths.known_on(end, moments), strict=True):
            column.append(values)
        piece.append(paths.piece[moments.stay])
    columns = [np.concatenate(column) for column in (told, rest, seen, piece)]
    return score(*columns, np.random.default_rng(seed)).pinball["p50"]


def verdict(found: BacktestResult) -> str:
    record = found.record
    held, ranged = record.coverage["p85"], record.coverage["p10_p90"]
    if len(found.rows) < FEW:
        goals = ((record.interval["p85"], 0.85), (record.interval["p10_p90"], 0.80))
        met = [low <= goal <= high for (low, high), goal in goals]
        return "interval holds" if all(met) else "INTERVAL MISSES"
    if record.unresolved > record.n:
        low, high = record.bounds["p85"]
        return f"bounds {low:.2f} to {high:.2f}" + ("" if low <= 0.85 <= high else " MISS .85")
    words = [
        *(
            []
            if 0.82 <= held <= 0.90
            else [f"85 off by {min(abs(held - 0.82), abs(held - 0.90)):.3f}"]
        ),
        *(
            []
            if 0.77 <= ranged <= 0.85
            else [f"10-90 off by {min(abs(ranged - 0.77), abs(ranged - 0.85)):.3f}"]
        ),
    ]
    return ", ".join(words) or "in both"


def main() -> None:
    seeds = [int(word) for word in sys.argv[1:] if word.isdigit()] or [1]
    print(
        f"{'table':22}{'seed':>5}{'scored':>8}{'open':>6}{'/ r.':>7}{'best':>7}{'drop':>7}{'85':>7}{'10-90':>7}{'s':>6}"
    )
    losses: dict[str, list[float]] = {}
    for name in TABLES:
        for seed in seeds:
            found, seconds = judged(name, seed)
            reached = found.methods["reached"].pinball["p50"]
            ratio = {key: each.pinball["p50"] / reached for key, each in found.methods.items()}
            best = min(ratio.values())
            ratio["chosen"] = found.record.pinball["p50"] / reached
            ratio["drop"] = loss_without_open(found, name, seed) / reached
            for key, value in ratio.items():
                losses.setdefault(key, []).append(value)
            print(
                f"{name:22}{seed:>5}{found.record.n:>8}{found.record.unresolved:>6}{ratio['chosen']:>7.3f}"
                f"{best:>7.3f}{ratio['drop']:>7.3f}{found.record.coverage['p85']:>7.3f}"
                f"{found.record.coverage['p10_p90']:>7.3f}{seconds:>6.0f}  {verdict(found)}",
                flush=True,
            )
    print("mean over tables, relative to reached:")
    print("  ".join(f"{key} {np.mean(values):.3f}" for key, values in losses.items()))


if __name__ == "__main__":
    main()
