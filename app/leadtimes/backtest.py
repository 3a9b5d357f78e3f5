"""What would have been forecast, day after day, and how it turned out.

From the moment at which a share of the pieces had entered, every so many days until the table ends,
every open piece is forecast from what was known that day only: stays begun by then, ends known by
then. Before the first day the blend rehearses on earlier days of the same kind, as it would have,
had it been running.
"""

import csv
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TextIO

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.blend import Blend, rehearsal_days
from app.leadtimes.forecast.levels import POINTS, at_levels
from app.leadtimes.forecast.methods import METHODS
from app.leadtimes.forecast.paths import Moments, Paths, paths_of
from app.leadtimes.forecast.pieces import METHOD
from app.leadtimes.log import DAY
from app.leadtimes.scoring import Score, score
from app.leadtimes.stay_table import Table
from app.leadtimes.survival import Floats

REHEARSALS: Final = 24
COLUMNS: Final = (
    "piece", "at", "step", "age_days", "method",
    *(f"p{round(100 * point):02d}" for point in POINTS), "remaining_days",
)  # fmt: skip

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Row:
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
    rows: list[Row]
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
) -> BacktestResult:
    """Forecast everything open every `every` days from when `train` of the pieces had entered.

    ValueError unless every > 0 and 0 < train < 1. A table whose last day comes before the second
    forecast gives one day; a table with nothing open gives a result with no rows.
    """
    if not (every > 0 and 0 < train < 1):
        raise ValueError("every must be above 0 days, train between 0 and 1")
    paths = paths_of(table.log)
    end = _end(paths)
    first = _first_day(paths, train)
    days = np.arange(first, max(end, first + 1e-9), every).tolist()
    blend = Blend(paths, generator)
    for number, day in enumerate(plan := [*rehearsal_days(paths, first, REHEARSALS), *days]):
        moments = paths.open_at(day)
        if len(moments):
            blend.issue(day, moments)
        progress(number + 1, len(plan))
    return _result(table, paths, blend, first, end, len(days), generator)


def write_rows(rows: list[Row], file: TextIO) -> None:
    """rows.csv: times in ISO with zone, days with six decimals, `remaining_days` empty where
    unresolved.
    """
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        rest = "" if row.remaining_days is None else f"{row.remaining_days:.6f}"
        writer.writerow(
            [row.piece, row.at.isoformat(), row.step, f"{row.age_days:.6f}", row.method]
            + [f"{days:.6f}" for days in row.days]
            + [rest]
        )


def save_rows(rows: list[Row], path: Path) -> None:
    """Write rows.csv to a file."""
    with path.open("w", encoding="utf-8", newline="") as file:
        write_rows(rows, file)


def _result(
    table: Table,
    paths: Paths,
    blend: Blend,
    first: float,
    end: float,
    days: int,
    generator: Generator,
) -> BacktestResult:
    scored = blend.record.moments.at >= first
    moments = blend.record.moments[scored]
    rest, seen = paths.known_on(end, moments)
    piece = paths.piece[moments.stay]
    told = at_levels(blend.told[scored], POINTS)
    return BacktestResult(
        chosen=METHOD,
        rows=list(_rows(table, paths, moments, told, np.where(seen, rest, np.nan))),
        record=score(told, rest, seen, piece, generator),
        methods={
            name: score(at_levels(said[scored], POINTS), rest, seen, piece, generator)
            for name, said in zip(METHODS, blend.record.said, strict=True)
        },
        days=days,
    )


def _rows(
    table: Table, paths: Paths, moments: Moments, told: Floats, rest: Floats
) -> Iterator[Row]:
    for number, (stay, at) in enumerate(
        zip(moments.stay.tolist(), moments.at.tolist(), strict=True)
    ):
        piece = paths.piece[stay]
        yield Row(
            table.names[int(paths.number[piece])],
            datetime.fromtimestamp(paths.base + at * DAY, UTC),
            table.log.steps[int(paths.step[stay])],
            float(at - paths.started[piece]),
            METHOD,
            told[number],
            None if np.isnan(rest[number]) else float(rest[number]),
        )


def _first_day(paths: Paths, train: float) -> float:
    """The moment at which this share of the pieces had entered."""
    begun = np.sort(paths.started)
    return float(begun[max(int(np.ceil(train * begun.size)) - 1, 0)])


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
