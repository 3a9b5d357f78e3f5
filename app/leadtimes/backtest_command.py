"""The backtest as a command: reads, runs, prints. Its
generator has a fixed seed: a record can be repeated.
"""

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TextIO

import numpy as np
from numpy.random import Generator

from app.leadtimes.backtest import BacktestResult, run_backtest, save_rows
from app.leadtimes.forecast.defaults import Defaults
from app.leadtimes.forecast.levels import POINTS
from app.leadtimes.open_time import OpenTime
from app.leadtimes.progress import teller
from app.leadtimes.scoring import Score
from app.leadtimes.stay_table import BadTableError, Table, read_table

BAD_INPUT: Final = 2


@dataclass(frozen=True)
class Judging:
    """How a backtest is made: `every` so many days, with the `train` share of the pieces known at
    first; and where its rows, its picture and its words go.

    With `as_json` standard output holds the JSON and nothing else, else sentences for people, and
    with `every_method` a table of the methods behind them.
    """

    generator: Generator
    monotonic: Callable[[], float]
    every: float = 7.0
    train: float = 0.7
    out: Path | None = None
    as_json: bool = False
    picture: Path | None = None
    stdout: TextIO = field(default_factory=lambda: sys.stdout)
    stderr: TextIO = field(default_factory=lambda: sys.stderr)
    every_method: bool = False


def main_backtest(file: Path, how: Judging) -> int:
    """Judge the forecast on a table of stays; the exit code: 0, or 2 where the input is bad."""
    try:
        table = read_table(file)
    except BadTableError as bad:
        print(f"{file} is no table of stays.\n{bad}", file=how.stderr)
        return BAD_INPUT
    except OSError as missing:
        print(f"{file} cannot be read: {missing.strerror}", file=how.stderr)
        return BAD_INPUT
    return judge(table, how)


def judge(
    table: Table, how: Judging, time: OpenTime | None = None, defaults: Defaults | None = None
) -> int:
    """The same for a table that is already in memory, such as the studio's own log, in open time.

    A picture is drawn where a place is named for it.
    """
    try:
        tell = teller("days", how.monotonic, how.stderr)
        result = run_backtest(
            table, how.every, how.train, how.generator, tell, time=time, defaults=defaults
        )
    except ValueError as bad:
        print(str(bad), file=how.stderr)
        return BAD_INPUT
    as_json = json.dumps(result.as_json(), indent=2, allow_nan=False) if how.as_json else ""
    said = as_text(result, every_method=how.every_method)
    print(as_json or said, file=how.stdout)
    try:
        if how.out is not None:
            save_rows(result.rows, how.out)
        if how.picture is not None:
            how.picture.write_bytes(calibration_picture(result))
            where = how.stderr if how.as_json else how.stdout
            print(f"\nThe calibration picture is {how.picture}.", file=where)
    except OSError as refused:
        print(f"{refused.filename} cannot be written: {refused.strerror}", file=how.stderr)
        return BAD_INPUT
    return 0


# What a range should do, in times in 100, and between which figures it does it well enough (the
# aims that the forecast is developed by).
AIMS: Final = (
    ("p85", "The last day that is given (85 in 100 should be ready by then)", 82, 90),
    ("p10_p90", "All days but the earliest and latest tenth (80 in 100 should lie there)", 77, 85),
    ("p50", "The middle (half should be ready by then)", 45, 55),
)


def as_text(result: BacktestResult, *, every_method: bool = False) -> str:
    """The record in sentences that say what is good and what is not; where asked for, every method
    alone too."""
    record = result.record
    lines = [
        f"{len(result.rows)} ranges on {result.days} days: {record.n} have come true or not, "
        f"{record.unresolved} are still open or were cancelled."
    ]
    if record.n:
        lines += [
            "",
            *(_judged(record.coverage[key], what, low, high) for key, what, low, high in AIMS),
        ]
        lines += _off(result)
        low, high = record.interval["p85"]
        least, most = record.bounds["p85"]
        lines += [
            "",
            f"By chance alone the last day could have held {100 * low:.0f} to {100 * high:.0f} "
            "times in 100 (95 % interval, resampled by piece).",
            "Whatever becomes of the unresolved, it will have held "
            f"{100 * least:.0f} to {100 * most:.0f} times in 100.",
        ]
    lines += ["", *(_methods(result) if every_method else ["With --all: every method alone."])]
    return "\n".join(lines)


def _judged(held: float, what: str, low: int, high: int) -> str:
    share = 100 * held
    if low <= share <= high:
        return f"{what} held {share:.0f} times in 100: good."
    good = f"good is {low} to {high}"
    if share < low:
        return f"{what} held only {share:.0f} times in 100: too short a range, {good}."
    return f"{what} held {share:.0f} times in 100: a wider range than needed, {good}."


def _off(result: BacktestResult) -> list[str]:
    """How far off the middle was, and against the best of the plain methods behind it."""
    record = result.record
    lines = [f"The middle was off by {record.mae_days:.1f} days on average."]
    others = [found.pinball["p50"] for found in result.methods.values()]
    best = min((loss for loss in others if np.isfinite(loss)), default=0.0)
    if best > 0:
        apart = round(100 * (1 - record.pinball["p50"] / best))
        than = "than the best single method behind it"
        lines.append(
            f"That is {abs(apart)} in 100 {'better' if apart > 0 else 'worse'} {than}: "
            f"{'good' if apart > 0 else 'it should be better'}."
            if apart
            else "That is as good as the best single method behind it."
        )
    return lines


def _methods(result: BacktestResult) -> list[str]:
    """A table: what was chosen first, then every method alone."""
    record = result.record
    lines = [
        f"{'method':16}{'50 % held':>11}{'85 % held':>11}{'10-90 held':>12}"
        f"{'loss at 50':>12}{'loss at 85':>12}{'mean error':>12}"
    ]
    lines += [_line(f"{result.chosen} *", record)]
    lines += [_line(name, found) for name, found in result.methods.items()]
    lines += [
        "", "* what was chosen. Losses (smaller is better) and the mean error are in days.",
    ]  # fmt: skip
    return lines


def _line(name: str, found: Score) -> str:
    held = found.coverage
    return (
        f"{name:16}{100 * held['p50']:>10.1f} {100 * held['p85']:>10.1f} "
        f"{100 * held['p10_p90']:>11.1f} "
        f"{found.pinball['p50']:>11.3f} {found.pinball['p85']:>11.3f} {found.mae_days:>11.3f} "
    )


def calibration_picture(result: BacktestResult) -> bytes:
    """An SVG: for each point told, how often the end
    came by then, beside the line of how often it should.
    """
    import pygal

    chart = pygal.XY(
        js=[], title="How often the range held", x_title="point told, in 100",
        y_title="ended by then, in 100", range=(0, 100), xrange=(0, 100), legend_at_bottom=True,
    )  # fmt: skip
    chart.add("as it should be", [(0, 0), (100, 100)], show_dots=False)
    for name, found in ((result.chosen, result.record), ("reached", result.methods["reached"])):
        held = zip(POINTS.tolist(), found.by_point, strict=True)
        chart.add(name, [(100 * point, 100 * share) for point, share in held if np.isfinite(share)])
    drawn: bytes = chart.render()
    return drawn
