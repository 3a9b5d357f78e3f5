"""Kaplan-Meier beside lifelines: `PYTHONPATH=. python tests/benchmarks/bench_survival.py`, five
interleaved rounds a size.
"""

import gc
from collections.abc import Callable
from statistics import median
from time import process_time

import numpy as np
from lifelines import KaplanMeierFitter

from app.leadtimes.survival import kaplan_meier


def seconds(work: Callable[[], object]) -> float:
    gc.collect()
    start = process_time()
    work()
    return process_time() - start


def main() -> None:
    generator = np.random.default_rng(20)
    for rows in (3_000, 1_000_000):
        exit, event = generator.exponential(30, rows), generator.random(rows) < 0.7
        pairs = [
            (
                seconds(lambda: kaplan_meier(exit, event)),  # noqa: B023
                seconds(lambda: KaplanMeierFitter().fit(exit, event)),  # noqa: B023
            )
            for _ in range(5)
        ]
        ours, theirs = median(pair[0] for pair in pairs), median(pair[1] for pair in pairs)
        print(f"{rows:>9,} rows: {ours:.4f} s, lifelines {theirs:.4f} s, ratio {theirs / ours:.1f}")


if __name__ == "__main__":
    main()
