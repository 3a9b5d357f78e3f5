"""Reading a plain table of stays: `piece,step,entered,left[,outcome]`, one row a stay."""

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np

from app.leadtimes.log import StayLog, make_log

NEEDED: Final = ("piece", "step", "entered", "left")
GIVEN_UP: Final = frozenset({"cancelled", "canceled"})
MOST_NAMED: Final = 20


class BadTableError(ValueError):
    """A table that cannot be read; `problems` are (line, reason) pairs, line 1 being the header."""

    def __init__(self, problems: list[tuple[int, str]]) -> None:
        self.problems = problems
        lines = [f"line {line}: {reason}" for line, reason in problems[:MOST_NAMED]]
        if len(problems) > MOST_NAMED:
            lines.append(f"and {len(problems) - MOST_NAMED} more")
        super().__init__("\n".join(lines))


@dataclass(frozen=True)
class Table:
    """A log and the names of its pieces: piece number k of the log is `names[k]`."""

    log: StayLog
    names: tuple[str, ...]


@dataclass(frozen=True)
class _Row:
    piece: str
    step: str
    entered: float
    left: float
    cancelled: bool


def read_table(path: Path) -> Table:
    """The table in a UTF-8 file with commas, its columns in any order, others ignored.

    Times are ISO 8601; a time without a zone is taken as UTC, a date alone as its midnight. `left`
    is empty where the stay is open; `outcome` is `cancelled` where the piece was given up, other
    words say nothing. Raises BadTableError with every bad line, OSError where the file cannot be
    read.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return read_rows(file)
    except UnicodeDecodeError as broken:
        raise BadTableError([(1, f"the file is not UTF-8 text ({broken.reason})")]) from broken


def read_rows(lines: Iterable[str]) -> Table:
    """The table in these lines, the first being the header."""
    reader = csv.reader(lines)
    header = [name.strip().lower() for name in next(reader, [])]
    missing = [name for name in NEEDED if name not in header]
    if missing:
        raise BadTableError([(1, f"the header has no column {', '.join(missing)}")])
    rows, problems = [], []
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            try:
                rows.append(_row(dict(zip(header, cells, strict=False))))
            except ValueError as problem:
                problems.append((reader.line_num, str(problem)))
    except csv.Error as broken:
        problems.append((reader.line_num, str(broken)))
    if not problems and not rows:
        problems.append((1, "the table has no rows"))
    if problems:
        raise BadTableError(problems)
    return _table(rows)


def _row(cells: dict[str, str]) -> _Row:
    piece, step = cells.get("piece", "").strip(), cells.get("step", "").strip()
    if not piece or not step:
        raise ValueError("the piece or the step is empty")
    entered = _time(cells.get("entered", ""), "entered")
    left = _time(cells.get("left", ""), "left") if cells.get("left", "").strip() else float("nan")
    if left < entered:
        raise ValueError("it was left before it was entered")
    cancelled = cells.get("outcome", "").strip().lower() in GIVEN_UP
    if cancelled and np.isnan(left):
        raise ValueError("it was cancelled, but left is empty: when?")
    return _Row(piece, step, entered, left, cancelled)


def _time(text: str, column: str) -> float:
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{column} is not an ISO time: {text.strip()!r}") from None
    aware = when if when.tzinfo else when.replace(tzinfo=UTC)
    return aware.timestamp()


def _table(rows: list[_Row]) -> Table:
    names = list(dict.fromkeys(row.piece for row in rows))
    steps = list(dict.fromkeys(row.step for row in rows))
    number = {name: place for place, name in enumerate(names)}
    code = {name: place for place, name in enumerate(steps)}
    log = make_log(
        [number[row.piece] for row in rows],
        [code[row.step] for row in rows],
        [row.entered for row in rows],
        [row.left for row in rows],
        [row.cancelled for row in rows],
        steps=steps,
    )
    return Table(log, tuple(names))
