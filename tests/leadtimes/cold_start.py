"""A house that has just moved in: made-up pieces of a known law, brought in as starts and ends
only, or with the day on which photos passed, and open ones at model finishing.

`python -m tests.leadtimes.cold_start [SEED]` prints what is said after 0, 10, 40 and 200 of them,
and how often it holds.
"""

import sys
from dataclasses import dataclass

import numpy as np

from app.flow.steps import STEPS
from app.leadtimes.forecast.levels import POINTS, at_levels
from app.leadtimes.forecast.normal import normal_score
from app.leadtimes.forecast.pieces import forecast_from_entering, forecast_with_record
from app.leadtimes.log import DAY, make_log
from app.orders.forecast import record

WAY = [str(step) for step in record.WAY]
FINISHING = WAY.index("finishing")
USUAL = np.array([STEPS[step].usual for step in record.WAY], dtype=float)
SLOW = np.array([STEPS[step].slow for step in record.WAY], dtype=float)
NOW = 2000 * DAY
HALF, LATE = POINTS.tolist().index(0.5), POINTS.tolist().index(0.85)


@dataclass(frozen=True)
class Said:
    """Days from the photos' passing as said and in truth (half, 85 in 100), how often the 85 %
    point holds there, and of open pieces."""

    basis: str
    half: float
    late: float
    true_half: float
    true_late: float
    held: float
    open_basis: str
    open_held: float


def lengths(rng, many, times):
    """Days at each step: log-normal about `times` what is usual in the trade."""
    spread = np.log(SLOW / USUAL) / normal_score(0.85)
    return times * USUAL * np.exp(spread * rng.standard_normal((many, len(WAY))))


def moved_in(seed, known, many, times, open_=60):
    """What is said of a house that takes `times` as long as the trade, once so many pieces were
    brought in: `known` is "ends", or "passed" with the day of passing."""
    rng = np.random.default_rng(seed)
    rows = []  # piece, step, entered, left, blurred
    for n, took in enumerate(lengths(rng, many, times)):
        start = NOW - (took.sum() + 30 + 600 * rng.random()) * DAY
        passed, end = start + took[:FINISHING].sum() * DAY, start + took.sum() * DAY
        at = [(0, start), *([(FINISHING, passed)] if known == "passed" else [])]
        until = [*(when for _, when in at[1:]), end]
        rows += [(-1 - n, s, a, b, True) for (s, a), b in zip(at, until, strict=True)]
    left = {}
    for n, took in enumerate(lengths(rng, open_, times), start=1):
        gone = 0.9 * rng.random() * took[FINISHING]
        came = NOW - gone * DAY
        rows.append((n, 0, came - took[:FINISHING].sum() * DAY, came, False))
        rows.append((n, FINISHING, came, np.nan, False))
        left[n] = took[FINISHING:].sum() - gone
    piece, step, entered, until, blurred = zip(*rows, strict=True)
    log = make_log(
        piece, step, entered, until, steps=WAY, blurred=blurred,
        watched_from=np.where(blurred, np.nan, NOW - 1),
    )  # fmt: skip
    levels, basis = forecast_from_entering(log, FINISHING, NOW, record.defaults())
    said = at_levels(levels[None], POINTS)[0]
    true = lengths(rng, 20_000, times)[:, FINISHING:].sum(axis=1)
    of_open, _ = forecast_with_record(log, NOW, record.defaults(), np.random.default_rng(1))
    held = np.mean([left[one.piece] <= one.days[LATE] for one in of_open])
    return Said(
        basis, said[HALF], said[LATE], *np.quantile(true, [0.5, 0.85]).tolist(),
        float(np.mean(true <= said[LATE])), of_open[0].basis, float(held),
    )  # fmt: skip


def main():
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    print("times  known   pieces  rests on  half (true)    85 % (true)    held  open: held")
    for times in (0.6, 1.0, 2.2):
        for known in ("ends", "passed"):
            for many in (0, 10, 40, 200):
                s = moved_in(seed, known, many, times)
                print(
                    f"{times:5} {known:>7} {many:7}  {s.basis:8} {s.half:5.1f} ({s.true_half:5.1f})"
                    f"  {s.late:6.1f} ({s.true_late:5.1f})  {s.held:.2f}  {s.open_basis}"
                    f" {s.open_held:.2f}"
                )


if __name__ == "__main__":
    main()
