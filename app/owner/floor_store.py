"""What the simulation of the floor reads beside the log: today's pieces, and who worked where."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, text

_MODELS = text(
    "SELECT m.id, o.number, m.letter, m.number AS version, m.step, m.entered_at, m.in_hand,"
    " m.aside_until, m.hold_whose <> '' AS held, m.reworks,"
    " coalesce(m.passed_at, m.counted_at, m.entered_at) AS oldest"
    " FROM models m JOIN orders o ON o.id = m.order_id WHERE m.open = 1 AND EXISTS"
    " (SELECT 1 FROM copies c WHERE c.model_id = m.id AND c.open = 1) ORDER BY m.id"
)
_COPIES = text(
    "SELECT c.id, o.number, c.letter, c.number AS copy_number, c.making, c.model_id, c.step,"
    " c.entered_at, c.in_hand, c.aside_until, c.hold_whose <> '' AS held, c.reworks,"
    " coalesce(c.passed_at, m.passed_at, m.counted_at, c.entered_at) AS oldest"
    " FROM copies c JOIN orders o ON o.id = c.order_id JOIN models m ON m.id = c.model_id"
    " WHERE c.open = 1 AND c.withdrawn = 0 AND c.step <> 'handed_over' ORDER BY c.id"
)
_SEEN = text(
    "SELECT from_step, count(DISTINCT account_id) AS people FROM transitions"
    " WHERE kind = 'start' AND happened_at >= :since AND account_id IS NOT NULL"
    " AND id >= (SELECT coalesce(min(id), 0) FROM transitions WHERE happened_at >= :since)"
    " GROUP BY from_step"
)
_ORDERED = text(
    "SELECT t.happened_at FROM transitions t JOIN copies c ON c.id = t.copy_id"
    " WHERE t.kind = 'enter' AND t.time_is <> 'imported' AND c.replaces_id IS NULL"
    " AND c.withdrawn = 0 AND t.happened_at >= :since ORDER BY t.happened_at"
)


@dataclass(frozen=True)
class Standing:
    """A piece of today. `log` is its number in the log's arrays, `worked` is filled in from it."""

    key: str
    log: int
    copy: bool
    step: str
    entered_at: int
    in_hand: bool
    aside_until: int | None
    held: bool
    again: bool
    oldest: int
    after: str | None
    worked: int = 0


def pieces(db: Connection) -> list[Standing]:
    """Models at work that somebody waits for, then copies in the house."""
    found: list[Standing] = []
    key_of: dict[int, str] = {}
    for row in db.execute(_MODELS):
        version = f" v{row.version}" if row.version > 1 else ""
        key_of[row.id] = f"{row.number}-{row.letter}{version}"
        found.append(
            Standing(
                key_of[row.id], 2 * row.id, False, row.step, row.entered_at, bool(row.in_hand),
                row.aside_until, bool(row.held), row.reworks > 0, row.oldest, None,
            )
        )  # fmt: skip
    for row in db.execute(_COPIES):
        again = f" m{row.making}" if row.making > 1 else ""
        found.append(
            Standing(
                f"{row.number}-{row.letter}{row.copy_number}{again}", 2 * row.id + 1, True,
                row.step, row.entered_at, bool(row.in_hand), row.aside_until, bool(row.held),
                row.making > 1 or row.reworks > 0, row.oldest, key_of.get(row.model_id),
            )
        )  # fmt: skip
    return found


def seen_in_hand(db: Connection, since: int) -> dict[str, int]:
    """By step, how many different people took pieces in hand since a moment."""
    rows = db.execute(_SEEN, {"since": since})
    return {row.from_step: row.people for row in rows if row.from_step}


def ordered_since(db: Connection, since: int) -> Sequence[Any]:
    """When copies were ordered since a moment, sorted."""
    return db.execute(_ORDERED, {"since": since}).scalars().all()
