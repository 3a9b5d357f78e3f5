"""What the simulation of the floor reads beside the log: today's pieces, and who worked where."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, text

from app.flow.groups import SLOWEST
from app.flow.steps import piece_code
from app.owner.floor_hands import Starts

_MODELS = text(
    "SELECT m.id, o.id AS order_id, o.number, o.needed_by, o.ship_country, o.ship_part,"
    " o.taken_at, m.letter,"
    " m.number AS version, 1 AS making, m.step, m.entered_at, m.in_hand, m.aside_until,"
    " m.hold_whose <> '' AS held, m.reworks, m.passed_at, m.counted_at"
    " FROM models m JOIN orders o ON o.id = m.order_id WHERE m.open = 1 AND EXISTS"
    " (SELECT 1 FROM copies c WHERE c.open = 1 AND (c.model_id = m.id OR c.id IN"
    " (SELECT copy_id FROM copy_companions WHERE model_id = m.id))) ORDER BY m.id"
)
_COPIES = text(
    "SELECT c.id, o.id AS order_id, o.number, o.needed_by, o.ship_country, o.ship_part,"  # noqa: S608
    " o.taken_at, c.letter,"
    " c.number AS copy_number, c.making, coalesce(s.model_id, c.model_id) AS model_id, c.step,"
    " c.entered_at, c.in_hand, c.aside_until,"
    " c.hold_whose <> '' AS held, c.reworks, coalesce(c.passed_at, m.passed_at) AS passed_at,"
    " coalesce(c.counted_at, m.counted_at) AS counted_at"
    f" FROM copies c LEFT JOIN {SLOWEST} s ON s.copy_id = c.id"
    " JOIN orders o ON o.id = c.order_id JOIN models m ON m.id = c.model_id"
    " WHERE c.open = 1 AND c.withdrawn = 0 AND c.step <> 'handed_over' ORDER BY c.id"
)
_STARTS = text(
    "SELECT CASE WHEN t.copy_id IS NULL THEN 2 * t.model_id ELSE 2 * t.copy_id + 1 END AS piece,"
    " t.from_step, t.happened_at, t.account_id, a.off_at IS NOT NULL AS gone"
    " FROM transitions t JOIN accounts a ON a.id = t.account_id"
    " WHERE t.kind = 'start' AND t.move = '' AND t.happened_at >= :since"
    " AND t.from_step IS NOT NULL"
)
_ACTS = text(
    "SELECT account_id AS account, happened_at - happened_at % 1800 AS moment, count(*) AS entries"
    " FROM transitions WHERE account_id IS NOT NULL AND time_is = 'pressed'"
    " AND happened_at >= :since GROUP BY 1, 2"
)
_ORDERED = (
    "SELECT t.happened_at FROM transitions t WHERE t.kind = 'enter' AND t.time_is <> 'imported'"
    " AND t.happened_at >= :since AND {} ORDER BY t.happened_at"
)
_MODELS_ORDERED = text(_ORDERED.format("t.model_id IS NOT NULL"))
_COPIES_ORDERED = text(
    _ORDERED.format(
        "t.to_step <> 'not_begun' AND EXISTS (SELECT 1 FROM copies c WHERE c.id = t.copy_id"
        " AND c.replaces_id IS NULL AND c.withdrawn = 0)"
    )
)


@dataclass(frozen=True)
class PieceToday:
    """A piece of today. `log` is its number in the log's arrays, `rank` its place in the order of
    work; `aside_until` is the moment until which it is set aside.
    """

    key: str
    log: int
    copy: bool
    step: str
    entered_at: int
    in_hand: bool
    aside_until: int | None
    held: bool
    rank: tuple[int, int]
    after: str | None
    order_id: int
    ship_part: bool


def pieces(db: Connection, rank: Callable[[Any], tuple[int, int]]) -> list[PieceToday]:
    """Models at work that somebody waits for, then copies in the house. `rank` gives a row its
    place in the order of work.
    """
    models = db.execute(_MODELS).all()
    key_of = {
        row.id: piece_code(row.number, row.letter) + (f" v{row.version}" if row.version > 1 else "")
        for row in models
    }
    found = [_piece(row, key_of[row.id], 2 * row.id, None, rank) for row in models]
    for row in db.execute(_COPIES):
        code = piece_code(row.number, row.letter, row.copy_number)
        key = f"{code} m{row.making}" if row.making > 1 else code
        found.append(_piece(row, key, 2 * row.id + 1, key_of.get(row.model_id), rank))
    return found


def _piece(
    row: Any, key: str, log: int, after: str | None, rank: Callable[[Any], tuple[int, int]]
) -> PieceToday:
    return PieceToday(
        key, log, log % 2 == 1, row.step, row.entered_at, bool(row.in_hand), row.aside_until,
        bool(row.held), rank(row), after, row.order_id, bool(row.ship_part),
    )  # fmt: skip


def starts(db: Connection, since: int) -> Starts:
    """Who took what in hand since a moment."""
    return Starts.of(db.execute(_STARTS, {"since": since}).all())


def acts(db: Connection, since: int) -> Sequence[Any]:
    """How much people wrote down since a moment, by account and half hour."""
    return db.execute(_ACTS, {"since": since}).all()


def points(db: Connection) -> Mapping[int, str]:
    """By order, the forecast's points as they are stored."""
    rows = db.execute(text("SELECT order_id, points FROM forecasts WHERE inputs <> ''"))
    return {row.order_id: row.points for row in rows}


def ordered_since(db: Connection, since: int) -> tuple[Sequence[Any], Sequence[Any]]:
    """When models were ordered since a moment, and when copies of models ready by then; sorted."""
    queries = _MODELS_ORDERED, _COPIES_ORDERED
    models, copies = (db.execute(query, {"since": since}).scalars().all() for query in queries)
    return models, copies
