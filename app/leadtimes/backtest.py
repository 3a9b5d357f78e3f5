"""What would have been forecast, day after day, and how it turned out.

From the moment at which a share of the pieces had entered, every so many days until the table ends,
every open piece is forecast from what was known that day only: stays begun by then, ends known by
then. Before the first day the blend rehearses on earlier days of the same kind, as it would have,
had it been running. With an `OpenTime` all of it is reckoned in open time, as a studio's own
forecast is, and told and judged in real days.
"""

import csv
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.blend import Blend, rehearsal_days
from app.leadtimes.forecast.defaults import Defaults
from app.leadtimes.forecast.levels import POINTS, at_levels
from app.leadtimes.forecast.methods import METHODS
from app.leadtimes.forecast.paths import Moments, Paths, paths_of
from app.leadtimes.log import DAY, StayLog, cases
from app.leadtimes.open_time import OpenTime, opened
from app.leadtimes.progress import Progress
from app.leadtimes.scoring import Score, score
from app.leadtimes.stay_table import Table
from app.leadtimes.survival import Floats

METHOD: Final = "blend"  # what is chosen, of all methods
REHEARSALS: Final = 24
COLUMNS: Final = (
    "piece", "at", "step", "age_days", "method",
    *(f"p{round(100 * point):02d}" for point in POINTS), "remaining_days",
)  # fmt: skip


@dataclass(frozen=True)
class BacktestRow:
    """One open piece on one day; `remaining_days` is None where its end is not in the table."""

    piece: str
    at: datetime
    step: str
    age_days: float
    method: str
    days: Floats
    remaining_days: float | None


@dataclass(frozen=True)
class BacktestResult:
    """The rows of what was chosen, its score, and the
    score of every single method on the same rows.
    """

    chosen: str
    rows: list[BacktestRow]
    record: Score
    methods: dict[str, Score]
    days: int

    def as_json(self) -> dict[str, Any]:
        """Plain values; what is not known is None, never nan."""
        return {
            "chosen": self.chosen,
            "record": _plain(asdict(self.record)),
            "methods": {name: _plain(asdict(found)) for name, found in self.methods.items()},
        }


def run_backtest(
    table: Table,
    every: float,
    train: float,
    generator: Generator,
    progress: Progress = lambda done, of: None,
    *,
    time: OpenTime | None = None,
    defaults: Defaults | None = None,
) -> BacktestResult:
    """Forecast everything open every `every` days from when `train` of the pieces had entered.

    With `time` the forecast reckons in open time; days between forecasts, ranges and what came of
    them are real days all the same. `defaults` are what is expected of pieces while fewer than 20
    have finished.

    ValueError unless every > 0 and 0 < train < 1. A table whose last day comes before the second
    forecast gives one day; a table with nothing open gives a result with no rows.
    """
    if not (every > 0 and 0 < train < 1):
        raise ValueError("every must be above 0 days, train between 0 and 1")
    paths = paths_of(table.log if time is None else opened(table.log, time))
    told_in = _RealDays(paths, time)
    end = _end(paths)
    first = _entered_by(paths.started, train)
    days = told_in.every(every, first, end)
    blend = Blend(paths, generator, defaults)
    for number, day in enumerate(plan := [*rehearsal_days(paths, first, REHEARSALS), *days]):
        moments = paths.open_at(day)
        if len(moments):
            blend.issue(day, moments)
        progress(number + 1, len(plan))
    return _result(table, told_in, blend, first, end, len(days), generator)


def first_day(log: StayLog, train: float) -> float:
    """The moment (epoch seconds) from which on `run_backtest` forecasts."""
    return _entered_by(cases(log).started, train)


def save_rows(rows: list[BacktestRow], path: Path) -> None:
    """Write rows.csv: times in ISO with zone, days with six decimals, `remaining_days` empty where
    unresolved.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row in rows:
            rest = "" if row.remaining_days is None else f"{row.remaining_days:.6f}"
            days = [f"{days:.6f}" for days in (row.age_days, *row.days)]
            writer.writerow(
                [row.piece, row.at.isoformat(), row.step, days[0], row.method, *days[1:], rest]
            )


@dataclass(frozen=True)
class _RealDays:
    """Days of a log's paths as days that pass: the same, unless the paths are in open time."""

    paths: Paths
    time: OpenTime | None

    def moment(self, day: Floats) -> Floats:
        """Epoch seconds of days since the paths' base."""
        seconds = self.paths.base + day * DAY
        return seconds if self.time is None else self.time.to_real(seconds)

    def every(self, days: float, first: float, end: float) -> list[float]:
        """The paths' days that come every so many real days from `first` on, before `end`."""
        if self.time is None:
            plain = np.arange(first, max(end, first + 1e-9), days)
            # Rounding may put the last one a hair past the end, where nothing is known.
            ends: list[float] = np.minimum(plain, max(end, first)).tolist()
            return ends
        begin, until = self.moment(np.array([first, end])).tolist()
        moments = np.arange(begin, max(until, begin + 1e-3), days * DAY)
        later = (self.time.to_open(moments[1:]) - self.paths.base) / DAY
        return [first, *later.tolist()]

    def after(self, at: Floats, days: Floats) -> Floats:
        """Real days from each moment `at` (a row) until so many of the paths' days have passed."""
        if self.time is None:
            return days
        return self.time.days_after(self.moment(at).reshape(-1, *[1] * (days.ndim - 1)), days)


def _result(
    table: Table,
    told_in: _RealDays,
    blend: Blend,
    first: float,
    end: float,
    days: int,
    generator: Generator,
) -> BacktestResult:
    scored = blend.record.moments.at >= first
    moments = blend.record.moments[scored]
    paths, at = told_in.paths, moments.at
    open_rest, seen = paths.known_on(end, moments)
    rest = told_in.after(at, open_rest)
    piece = paths.piece[moments.stay]
    told = told_in.after(at, at_levels(blend.told[scored], POINTS))
    return BacktestResult(
        chosen=METHOD,
        rows=list(_rows(table, told_in, moments, told, np.where(seen, rest, np.nan))),
        record=score(told, rest, seen, piece, generator),
        methods={
            name: score(told_in.after(at, said[scored]), rest, seen, piece, generator)
            for name, said in zip(METHODS, blend.record.said, strict=True)
        },
        days=days,
    )


def _rows(
    table: Table, told_in: _RealDays, moments: Moments, told: Floats, rest: Floats
) -> Iterator[BacktestRow]:
    paths = told_in.paths
    started = paths.started[paths.piece[moments.stay]]
    age = told_in.after(started, moments.at - started)
    for number, (stay, at) in enumerate(
        zip(moments.stay.tolist(), told_in.moment(moments.at).tolist(), strict=True)
    ):
        yield BacktestRow(
            table.names[int(paths.number[paths.piece[stay]])],
            datetime.fromtimestamp(at, UTC),
            table.log.steps[int(paths.step[stay])],
            float(age[number]),
            METHOD,
            told[number],
            None if np.isnan(rest[number]) else float(rest[number]),
        )


def _entered_by(started: Floats, share: float) -> float:
    """The moment at which this share of the pieces had entered."""
    begun = np.sort(started)
    return float(begun[max(int(np.ceil(share * begun.size)) - 1, 0)])


def _end(paths: Paths) -> float:
    """The last moment the table speaks of."""
    return float(max(paths.entered.max(), np.nanmax(np.append(paths.left, -np.inf))))


def _plain(value: Any) -> Any:
    """Numbers for JSON: nan becomes None, tuples lists."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value
