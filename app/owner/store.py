"""What the lead-time page reads: the logs of the pieces of the last two years, and what was told.

Rows of the log come through the driver's own cursor and go straight into arrays: at this length a
row object each costs more than the question itself.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
from sqlalchemy import Connection, text

from app.flow.after.cases import OF_CASES
from app.flow.groups import SLOWEST
from app.flow.rules import BATCH, DRYING, PART, UNASKED, Entry, Kind, effective
from app.flow.steps import ASKED_AGAIN, Of, Step
from app.flow.store import Ref, log_of
from app.leadtimes.working import Held, held_in
from app.owner.intervals import KIND_CODE, STEP_CODE, LogEntries

_MARKS = text(
    "SELECT (SELECT coalesce(max(id), 0) FROM transitions),"
    " (SELECT coalesce(max(id), 0) FROM changes), (SELECT coalesce(max(id), 0) FROM tellings),"
    " (SELECT count(*) + count(taken_back_at) FROM imports)"
)
_ROWS = f"""
SELECT c.id, c.order_id, m.id AS model_id, m.follows_id, c.replaces_id, o.number, o.taken_at,
  o.recorded_at, o.imported, o.ship_part, a.kind, a.life = 'remembered' AS remembered
FROM copies c LEFT JOIN {SLOWEST} s ON s.copy_id = c.id
  JOIN orders o ON o.id = c.order_id JOIN models m ON m.id = coalesce(s.model_id, c.model_id)
  JOIN models lead ON lead.id = c.model_id
  JOIN animals a ON a.id = lead.animal_id
WHERE c.withdrawn = 0 AND c.id NOT IN ({OF_CASES}) AND {{0}} ORDER BY c.id
"""  # noqa: S608
# A remake's forerunner was replaced earlier than it was handed over: it belongs to it all the same.
_SINCE = text(
    _ROWS.format(
        "c.id IN (WITH RECURSIVE wanted(id) AS"
        " (SELECT id FROM copies WHERE open = 1 OR last_at >= :edge"
        " UNION SELECT c.replaces_id FROM copies c JOIN wanted w ON c.id = w.id"
        " WHERE c.replaces_id IS NOT NULL) SELECT id FROM wanted)"
    )
)
_OF_ORDERS = text(_ROWS.format("c.order_id IN (SELECT value FROM json_each(:orders))"))
_MOVED_ORDERS = text(
    "SELECT c.order_id FROM transitions t JOIN copies c ON c.id = t.copy_id WHERE t.id > :last"
    " UNION SELECT c.order_id FROM transitions t JOIN copies c ON c.model_id = t.model_id"
    " WHERE t.id > :last"
    " UNION SELECT m.order_id FROM transitions t JOIN models m ON m.id = t.model_id"
    " WHERE t.id > :last"
    " UNION SELECT c.order_id FROM transitions t JOIN copy_companions g ON g.model_id = t.model_id"
    " JOIN copies c ON c.id = g.copy_id WHERE t.id > :last"
)
_CHANGED_ORDERS = text(
    "SELECT order_id FROM changes WHERE id > :last AND order_id IS NOT NULL"
    " UNION SELECT c.order_id FROM changes h JOIN models m ON m.animal_id = h.of_id"
    " JOIN copies c ON c.model_id = m.id WHERE h.id > :last AND h.of = 'animals'"
)
_HANDS = text(
    "WITH taken AS (SELECT DISTINCT coalesce(2 * copy_id + 1, 2 * model_id) AS piece"
    "  FROM transitions WHERE kind = 'start' AND happened_at >= :edge),"
    " entries AS (SELECT piece, t.* FROM taken JOIN transitions t ON t.copy_id = piece / 2"
    "  WHERE piece % 2 = 1 UNION ALL SELECT piece, t.* FROM taken"
    "  JOIN transitions t ON t.model_id = piece / 2 WHERE piece % 2 = 0)"
    " SELECT e.piece, e.kind, e.to_step, e.happened_at, e.account_id, a.kind AS animal,"
    " a.life = 'remembered' AS remembered FROM entries e LEFT JOIN copies c ON c.id = e.copy_id"
    " JOIN models m ON m.id = coalesce(c.model_id, e.model_id)"
    " JOIN animals a ON a.id = m.animal_id"
    " WHERE e.kind IN ('enter', 'move', 'start', 'aside', 'hold', 'lift', 'undo', 'correction')"
    " ORDER BY e.piece, e.seq"
)
_PAST = text(
    "SELECT p.id, p.order_key, p.started_at, p.ended_at, p.cancelled, a.kind,"
    " a.life = 'remembered' FROM past_pieces p JOIN animals a ON a.id = p.animal_id"
    " WHERE p.ended_at >= :edge ORDER BY p.id DESC"
)
_OPEN_ORDERS = text(
    "SELECT id, number, needed_by, ship_country FROM orders WHERE open = 1 ORDER BY number"
)
_LOG = (
    "SELECT {0}, CASE WHEN to_step IS NOT NULL THEN kind || ':' || to_step || ':' || move || ':0'"
    " WHEN reason = 'drying' THEN kind || ':::1' ELSE kind || '::' || move || ':0' END,"
    " happened_at, coalesce(until, 0) FROM transitions"
    " WHERE {1} IN (SELECT value FROM json_each(?)) ORDER BY {1}, seq"
)
_LOG_OF_MODELS = _LOG.format("2 * model_id", "model_id")
_LOG_OF_COPIES = _LOG.format("2 * copy_id + 1", "copy_id")
_AMENDING = (str(Kind.UNDO), str(Kind.CORRECTION))
_TOLD = text(
    "SELECT t.order_id, o.number, t.at, t.channel, t.from_day, t.to_day FROM tellings t"
    " JOIN orders o ON o.id = t.order_id WHERE t.order_id IN (SELECT value FROM json_each(:orders))"
    " ORDER BY t.order_id, t.at, t.id"
)
_MODELS = text(
    "SELECT c.order_id, m.passed_at, m.step, m.last_at, m.id FROM copies c"
    " LEFT JOIN copy_companions g ON g.copy_id = c.id"
    " JOIN models m ON m.id IN (c.model_id, g.model_id) WHERE c.withdrawn = 0"
    " AND c.step <> 'cancelled'"
    " AND c.order_id IN (SELECT value FROM json_each(:orders)) GROUP BY c.order_id, m.id"
)


@dataclass(frozen=True)
class Marks:
    """The newest transition, change and telling, and how often a sheet was brought in or taken
    back: while they stand, nothing here has changed."""

    transition: int
    change: int
    telling: int
    imports: int


@dataclass(frozen=True)
class Raw:
    """Copies as rows, with their orders' and animals' facts, and the logs of copies and models.

    In `entries` a copy's piece number is 2 * id + 1, a model's 2 * id.
    """

    copies: Sequence[Any]
    entries: LogEntries


def marks(db: Connection) -> Marks:
    """How far the house is."""
    return Marks(*db.execute(_MARKS).one())


def since(db: Connection, edge: int) -> Raw:
    """All pieces that are open or had something happen to them since a moment."""
    return _raw(db, db.execute(_SINCE, {"edge": edge}).all())


def past(db: Connection, edge: int) -> Sequence[Any]:
    """The pieces that were brought in, as far as they ended since a moment, the newest first."""
    return db.execute(_PAST, {"edge": edge}).all()


def of_orders(db: Connection, orders: Iterable[int]) -> Raw:
    """All pieces of some orders."""
    return _raw(db, db.execute(_OF_ORDERS, {"orders": json.dumps(list(orders))}).all())


def changed_orders(db: Connection, since_: Marks) -> list[int]:
    """The orders of which something moved, or in which something was changed by hand."""
    moved = db.execute(_MOVED_ORDERS, {"last": since_.transition}).scalars()
    edited = db.execute(_CHANGED_ORDERS, {"last": since_.change}).scalars()
    return sorted({*moved, *edited})


def open_orders(db: Connection) -> Sequence[Any]:
    """Orders that are not at their end."""
    return db.execute(_OPEN_ORDERS).all()


class _Columns:
    """Rows of (piece, kind:step:move:drying, moment, until), kept as columns of whole numbers.

    There are a few hundred different texts in a log of any length: each gets a number.
    """

    def __init__(self) -> None:
        self.code: dict[str, int] = {}
        self.columns: tuple[list[int], ...] = ([], [], [], [])

    def take(self, rows: Sequence[Any]) -> None:
        """Add rows."""
        piece, what, at, until = zip(*rows, strict=True)
        for text_ in set(what).difference(self.code):
            self.code[text_] = len(self.code)
        numbers = map(self.code.__getitem__, what)
        for column, values in zip(self.columns, (piece, numbers, at, until), strict=True):
            column.extend(values)

    def amended(self) -> set[int]:
        """The pieces in whose log something was undone or corrected."""
        codes = {code for text_, code in self.code.items() if text_.startswith(_AMENDING)}
        piece, what, _, _ = self.columns
        return {p for p, code in zip(piece, what, strict=True) if code in codes}

    def arrays(self, without: Iterable[int]) -> LogEntries:
        """The entries, but for those of some pieces, by piece and then as they were added."""
        piece, what, at, until = (np.array(column, dtype=np.int64) for column in self.columns)
        kept = np.flatnonzero(~np.isin(piece, list(without)))
        meant = [text_.split(":") for text_ in self.code]

        def looked_up(values: Iterable[int], kind: type) -> Any:
            return np.array(list(values), dtype=kind)[what[kept]]

        return LogEntries(
            piece=piece[kept],
            kind=looked_up(
                (-1 if move == UNASKED else KIND_CODE[kind] for kind, _, move, _ in meant), np.int64
            ),
            step=looked_up((STEP_CODE.get(step, -1) for _, step, _, _ in meant), np.int64),
            at=at[kept],
            until=until[kept],
            drying=looked_up((dry == "1" for _, _, _, dry in meant), bool),
            again=looked_up((move in ASKED_AGAIN for _, _, move, _ in meant), bool),
            part=looked_up((move == PART for _, _, move, _ in meant), bool),
            batch=looked_up((move == BATCH for _, _, move, _ in meant), bool),
        )


def _raw(db: Connection, copies: Sequence[Any]) -> Raw:
    driver = db.connection.cursor()
    before = {row.follows_id for row in copies if row.follows_id is not None}
    models = sorted({row.model_id for row in copies} | before)
    found, right = _Columns(), _Columns()
    for query, ids in ((_LOG_OF_MODELS, models), (_LOG_OF_COPIES, [row.id for row in copies])):
        driver.execute(query, (json.dumps(ids),))
        # A few at a time: the collector would look through a hundred thousand rows again and again.
        while rows := driver.fetchmany(500):
            found.take(rows)
    amended = found.amended()
    for piece in sorted(amended):
        if rows := _in_right_form(db, piece):
            right.take(rows)
    return Raw(copies, found.arrays(amended).with_rows(right.arrays(())))


def _in_right_form(db: Connection, piece: int) -> list[tuple[int, str, int, int]]:
    """The rows of a piece in whose log something was undone or corrected."""
    log = log_of(db, Ref(Of.COPY if piece % 2 else Of.MODEL, piece // 2))
    found = []
    for e in effective(log):
        what = f"{e.kind}:{e.to_step or ''}:{e.move}:{e.reason == DRYING:d}"
        found.append((piece, what, e.happened_at, e.until or 0))
    return found


@dataclass(frozen=True)
class Hands:
    """When which piece was in whose hands, and for each of these what animal it shows."""

    held: Sequence[Held]
    kinds: Sequence[str]
    remembered: Sequence[bool]


def hands(db: Connection, edge: int, now: int) -> Hands:
    """Whose hands were on what since a moment."""
    held: list[Held] = []
    kinds: list[str] = []
    remembered: list[bool] = []
    for piece, rows in groupby(db.execute(_HANDS, {"edge": edge}), key=lambda row: row.piece):
        mine = list(rows)
        if any(row.kind in _AMENDING for row in mine):
            line = effective(log_of(db, Ref(Of.COPY if piece % 2 else Of.MODEL, piece // 2)))
        else:
            line = [_entry(row) for row in mine]
        own = [one for one in held_in(piece, line, now) if one.start >= edge]
        held.extend(own)
        kinds.extend([mine[0].animal] * len(own))
        remembered.extend([bool(mine[0].remembered)] * len(own))
    return Hands(held, kinds, remembered)


def _entry(row: Any) -> Entry:
    step = Step(row.to_step) if row.to_step else None
    at, by = row.happened_at, row.account_id
    return Entry(0, 0, Kind(row.kind), at, at, step, by=by)


def tellings(db: Connection, orders: Iterable[int]) -> Sequence[Any]:
    """What customers of these orders were told, the oldest of each order first."""
    return db.execute(_TOLD, {"orders": json.dumps(list(orders))}).all()


def models_of(db: Connection, orders: Iterable[int]) -> Sequence[Any]:
    """The models of these orders' copies that were not given up."""
    return db.execute(_MODELS, {"orders": json.dumps(list(orders))}).all()
