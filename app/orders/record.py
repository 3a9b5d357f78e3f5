"""The studio's own record: its log of transitions as the stays of pieces, for the statistics.

A piece, here, is what the customer waits for: a copy with the steps of the model it waited for
before its own, and with the remakes that replaced it after. It has finished when it was handed
over. What was undone is left out, what was corrected counts in its right form.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, text

from app.flow.steps import BENCHES, STEPS, Step
from app.leadtimes.forecast.defaults import Defaults
from app.leadtimes.log import StayLog, make_log
from app.leadtimes.usual import usual_and_slow
from app.studio.workshop import Pace

DAY = 86_400
YEAR = 365 * DAY
# The steps of a piece's way until it leaves the house; the index is the code in the arrays.
WAY: tuple[Step, ...] = tuple(step for step in BENCHES if step is not Step.HANDED_OVER)
_CODE = {str(step): code for code, step in enumerate(WAY)}

_MOVES = text(
    """
SELECT coalesce(t.model_id, -t.copy_id) AS piece, coalesce(c.to_step, t.to_step) AS step,
  coalesce(c.happened_at, t.happened_at) AS at
FROM transitions t
LEFT JOIN (
  SELECT about_id, to_step, happened_at FROM transitions WHERE id IN
    (SELECT max(id) FROM transitions WHERE kind = 'correction' GROUP BY about_id)
) c ON c.about_id = t.id
WHERE t.kind IN ('enter', 'move')
  AND t.id NOT IN (SELECT about_id FROM transitions WHERE kind = 'undo')
  AND t.id NOT IN (SELECT about_id FROM transitions WHERE kind = 'correction' AND to_step IS NULL)
ORDER BY t.id
"""
)
_COPIES = text(
    "SELECT id, model_id, order_id, replaces_id, withdrawn, step FROM copies ORDER BY id"
)


@dataclass(frozen=True, slots=True)
class OwnStay:
    """A stay of a model or a copy: the step, and its two moments (`left` None while open)."""

    step: str
    entered: int
    left: int | None


@dataclass(frozen=True, slots=True)
class Record:
    """The pieces' stays, and which order each piece belongs to."""

    log: StayLog
    order_of: dict[int, int]
    last_transition: int


def last_transition(db: Connection) -> int:
    """The number of the newest entry of the log."""
    found: int = db.execute(text("SELECT coalesce(max(id), 0) FROM transitions")).scalar_one()
    return found


def _own_stays(db: Connection) -> dict[int, list[OwnStay]]:
    """Each piece's stays; a copy's key is its id, negative."""
    moves: dict[int, list[tuple[str, int]]] = {}
    for piece, step, at in db.execute(_MOVES):
        moves.setdefault(piece, []).append((step, at))
    return {
        piece: [
            OwnStay(step, at, steps[n + 1][1] if n + 1 < len(steps) else None)
            for n, (step, at) in enumerate(steps)
        ]
        for piece, steps in moves.items()
    }


def read(db: Connection) -> Record:
    """The whole record. Holds what one consistent view of the database shows."""
    newest = last_transition(db)
    own = _own_stays(db)
    rows = list(db.execute(_COPIES))
    root: dict[int, int] = {}
    piece: list[int] = []
    step: list[int] = []
    entered: list[float] = []
    left: list[float] = []
    cancelled: list[bool] = []
    order_of: dict[int, int] = {}
    for row in rows:
        if row.withdrawn:
            continue
        # A remake goes on where the piece that it replaces ended.
        root[row.id] = key = root.get(row.replaces_id, row.id)
        order_of[key] = row.order_id
        ended = row.step == Step.CANCELLED
        for stay in _way_of(row.id, row.model_id, own):
            piece.append(key)
            step.append(_CODE[stay.step])
            entered.append(stay.entered)
            left.append(np.nan if stay.left is None else stay.left)
            cancelled.append(ended)
    names = [str(s) for s in WAY]
    return Record(make_log(piece, step, entered, left, cancelled, steps=names), order_of, newest)


def _way_of(copy_id: int, model_id: int, own: dict[int, list[OwnStay]]) -> Iterable[OwnStay]:
    """A copy's way: its model's stays while it waited for them, then its own."""
    mine = own.get(-copy_id, [])
    first = mine[0] if mine else None
    if first is not None and first.step == Step.NOT_BEGUN:
        until = first.left
        for stay in own.get(model_id, []):
            over = stay.left is not None and stay.left <= first.entered
            late = until is not None and stay.entered >= until
            if stay.step in _CODE and not over and not late:
                # A copy that joined later has waited since it joined.
                left = until if stay.left is None else stay.left
                yield OwnStay(stay.step, max(stay.entered, first.entered), left)
    for stay in mine:
        if stay.step in _CODE:
            yield stay


def pace_of(db: Connection, now: int) -> Pace:
    """Usual and slow stays of each step from the last twelve months, open stays counted.

    With fewer than twenty stays a step keeps what is usual in the trade, and says so.
    """
    known: dict[str, list[tuple[int, float]]] = {}
    for stays in _own_stays(db).values():
        for stay in stays:
            if stay.left is None or stay.left >= now - YEAR:
                gone = np.nan if stay.left is None else float(stay.left)
                known.setdefault(stay.step, []).append((stay.entered, gone))
    return {step: _pace_of_step(step, known.get(str(step), []), now) for step in BENCHES}


def _pace_of_step(
    step: Step, stays: list[tuple[int, float]], now: int
) -> tuple[float, float, bool]:
    facts = STEPS[step]
    pairs = np.array(stays, dtype=float).reshape(-1, 2)
    found = usual_and_slow(pairs[:, 0], pairs[:, 1], now)
    if found is None or found.median is None or found.slow is None:
        return float(facts.usual), float(facts.slow), False
    return found.median, found.slow, True


def defaults() -> Defaults:
    """Days that remain from entering each step, by what is usual in the trade.

    Medians add up along the way; the slow points add up in squares about the median, as if steps
    were independent (common practice, no source).
    """
    usual = np.array([STEPS[step].usual for step in WAY], dtype=float)
    extra = np.array([STEPS[step].slow - STEPS[step].usual for step in WAY], dtype=float)
    median = np.cumsum(usual[::-1])[::-1]
    spread = np.sqrt(np.cumsum((extra**2)[::-1])[::-1])
    return Defaults(median, median + spread)
