"""Folding every piece's log again, a piece at a time, and comparing what is cached of it."""

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from app.flow.legality import passed_gates
from app.flow.rules import Entry, Kind, State, after, effective, fold
from app.flow.stays import stays
from app.flow.steps import Of, Step
from app.flow.store import ENTRY_COLUMNS, STATE_COLUMNS, entry_of, state_values
from app.shared.calendar import Calendar
from app.shared.differences import Difference

_ABOUT = frozenset({Kind.UNDO, Kind.CORRECTION})
_CACHED = (*STATE_COLUMNS, "version", "open")
_COLUMNS = ", ".join((*ENTRY_COLUMNS, "from_step"))
_TABLE = {Of.MODEL: ("models", "model_id"), Of.COPY: ("copies", "copy_id")}


@dataclass(slots=True)
class Tally:
    """How much was looked at."""

    pieces: int = 0
    transitions: int = 0
    stays: int = 0


def pieces_of(
    raw: sqlite3.Connection, of: Of, calendar: Calendar, now: int, tally: Tally
) -> Iterator[Difference]:
    """Compare every model or every copy, closed, replaced and withdrawn ones too."""
    table, column = _TABLE[of]
    # Tables and columns are named by this room.
    rows = raw.execute(f"SELECT id, {', '.join(_CACHED)} FROM {table} ORDER BY id")  # noqa: S608
    entries = raw.execute(
        f"SELECT {column}, {_COLUMNS} FROM transitions"  # noqa: S608
        f" WHERE {column} IS NOT NULL ORDER BY {column}, seq"
    )
    logs = groupby(entries, key=lambda row: row[0])
    log_id, log = next(logs, (None, iter(())))
    for row in rows:
        tally.pieces += 1
        # A log without its piece breaks a reference, and is found as that.
        while log_id is not None and log_id < row[0]:
            log_id, log = next(logs, (None, iter(())))
        lines = list(log) if log_id == row[0] else []
        tally.transitions += len(lines)
        yield from _piece(of, row, lines, calendar, now, tally)


def _piece(
    of: Of,
    row: tuple[Any, ...],
    lines: list[tuple[Any, ...]],
    calendar: Calendar,
    now: int,
    tally: Tally,
) -> Iterator[Difference]:
    cached = dict(zip(_CACHED, row[1:], strict=True))
    if not lines:
        yield Difference(of, row[0], "step", cached["step"], "no entry in the log")
        return
    yield from _gaps(lines)
    try:
        log = [entry_of(line[1:-1]) for line in lines]
        before, state = _steps_before(of, log)
    except (KeyError, ValueError) as why:
        yield Difference(of, row[0], "log", "cannot be folded", str(why))
        return
    yield from _from_steps(lines, before)
    right = {**state_values(state), "version": log[-1].seq}
    for field in _CACHED:
        if cached[field] != right[field]:
            yield Difference(of, row[0], field, cached[field], right[field])
    if state.open and state.gates:
        for question in passed_gates(of, log):
            waits = f"waits for the answer to question {question}"
            if question < 0:
                waits = f"waits for part {-question}"
            yield Difference(of, row[0], "step", state.step, waits)
    yield from _order_in_time(log)
    yield from _adds_up(of, row[0], log, state, calendar, max(now, state.last_at), tally)


def _gaps(lines: list[tuple[Any, ...]]) -> Iterator[Difference]:
    for place, line in enumerate(lines, 1):
        if line[2] != place:
            yield Difference("transition", line[1], "seq", line[2], place)
            return


def _steps_before(of: Of, log: list[Entry]) -> tuple[list[Step | None], State]:
    """The step in which each entry found the piece, and the state at the end.

    An undo or a correction speaks of what came before it: there the log is folded afresh.
    """
    state: State | None = None
    before: list[Step | None] = []
    for place, entry in enumerate(log):
        if entry.kind in _ABOUT:
            before.append(None)
            state = fold(of, log[: place + 1])
        else:
            before.append(state.step if state is not None else None)
            state = after(of, state, entry)
    assert state is not None
    return before, state


def _from_steps(lines: list[tuple[Any, ...]], before: list[Step | None]) -> Iterator[Difference]:
    for line, step in zip(lines, before, strict=True):
        if line[20] != step:
            yield Difference("transition", line[1], "from_step", line[20], step)


def _order_in_time(log: list[Entry]) -> Iterator[Difference]:
    """Nothing happened before what it follows, in the log as it should have been."""
    amended = any(entry.kind in _ABOUT for entry in log)
    latest = 0
    for entry in effective(log) if amended else log:
        if entry.happened_at < latest:
            yield Difference(
                "transition", entry.id, "happened_at", entry.happened_at, f"{latest} or later"
            )
        latest = max(latest, entry.happened_at)


def _adds_up(
    of: Of, id_: int, log: list[Entry], state: State, calendar: Calendar, now: int, tally: Tally
) -> Iterator[Difference]:
    """The classes of each stay add up to its length, and each stay begins where one ended."""
    left: int | None = None
    for stay in stays(of, log, calendar, now):
        tally.stays += 1
        whole = (now if stay.left is None else stay.left) - stay.entered
        if stay.seconds() != whole:
            yield Difference(of, id_, f"stay in {stay.step}", stay.seconds(), whole)
        if left is not None and stay.entered != left:
            yield Difference(of, id_, f"stay in {stay.step}", stay.entered, left)
        left = stay.left
    if not state.open and left is not None and left != state.entered_at:
        yield Difference(of, id_, "entered_at", state.entered_at, left)


def named(what: str, field: str, right: Any, rows: Iterable[tuple[Any, ...]]) -> list[Difference]:
    """Differences from rows of (id, cached) or (id, cached, right)."""
    return [
        Difference(what, row[0], field, row[1], row[2] if len(row) > 2 else right) for row in rows
    ]
