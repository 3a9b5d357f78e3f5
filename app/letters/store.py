"""News and letters, as they lie in the database."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, bindparam, insert, text
from sqlalchemy.engine import Row

from app.letters import facts, rules
from app.letters.facts import Part
from app.letters.rules import Gone, Pending
from app.tables import letters

_Row = Row[Any]


def _of_orders(sql: str) -> Any:
    return text(sql).bindparams(bindparam("ids", expanding=True))


_TO_TELL = "told_at IS NULL AND taken_back_at IS NULL"
_RIPE_ORDERS = text(
    f"SELECT DISTINCT order_id FROM news WHERE {_TO_TELL} AND held_at IS NULL AND at <= :ripe"  # noqa: S608
    " ORDER BY order_id"
)
_PENDING = _of_orders(
    "SELECT id, order_id, kind, letter, round, at, held_at FROM news"  # noqa: S608
    f" WHERE order_id IN :ids AND {_TO_TELL} ORDER BY at, id"
)
_KNOWN = _of_orders(
    "SELECT order_id, kind, letter FROM news WHERE order_id IN :ids AND taken_back_at IS NULL"
)
_GONE = _of_orders(
    "SELECT order_id, parts FROM letters WHERE order_id IN :ids AND state <> 'dropped'"
)
_ADDRESSEES = _of_orders(
    "SELECT o.id, o.number, o.gift, c.name, m.mail FROM orders o"
    " JOIN customers c ON c.id = o.customer_id"
    " LEFT JOIN customer_mails m ON m.customer_id = c.id AND m.receives = 1"
    " WHERE o.id IN :ids"
)
_REMEMBERED = text(
    "SELECT oa.letter FROM order_animals oa JOIN animals a ON a.id = oa.animal_id"
    " WHERE oa.order_id = :order_id AND a.life = 'remembered' ORDER BY oa.letter"
)
_STILL_TO_TELL = _of_orders(
    f"SELECT id FROM news WHERE id IN :ids AND {_TO_TELL}"  # noqa: S608
)
_TOLD = text("UPDATE news SET told_at = :now, letter_id = :letter_id WHERE id = :id")
_NEXT_ID = text("SELECT coalesce(max(id), 0) + 1 FROM letters")
_ADD = insert(letters)


@dataclass(frozen=True, slots=True)
class Addressee:
    """Whom an order's letters go to. `mail` is empty where the customer has no address."""

    number: int
    name: str
    mail: str
    gift: bool


def ripe_orders(db: Connection, now: int) -> list[int]:
    """The orders of which there may be something to tell."""
    found = db.execute(_RIPE_ORDERS, {"ripe": now - rules.GRACE}).scalars()
    return [int(order_id) for order_id in found]


def pending_of(db: Connection, order_ids: Sequence[int]) -> dict[int, list[Pending]]:
    """The news of some orders that no letter has told, the oldest first."""
    found: dict[int, list[Pending]] = {}
    for row in db.execute(_PENDING, {"ids": list(order_ids)}):
        found.setdefault(row.order_id, []).append(
            Pending(row.id, row.kind, row.letter, row.round, row.at, row.held_at is not None)
        )
    return found


def gone_of(db: Connection, order_ids: Sequence[int]) -> dict[int, Gone]:
    """What some orders have had so far."""
    ids = {"ids": list(order_ids)}
    known: dict[int, set[tuple[str, str]]] = {}
    for row in db.execute(_KNOWN, ids):
        known.setdefault(row.order_id, set()).add((row.kind, row.letter))
    parts: dict[int, list[Sequence[Part]]] = {}
    for row in db.execute(_GONE, ids):
        parts.setdefault(row.order_id, []).append(facts.parts_from_json(row.parts))
    return {
        order_id: Gone(*rules.counted(parts.get(order_id, ())), frozenset(known.get(order_id, ())))
        for order_id in order_ids
    }


def addressees(db: Connection, order_ids: Sequence[int]) -> dict[int, Addressee]:
    """Whom the letters of some orders go to."""
    rows = db.execute(_ADDRESSEES, {"ids": list(order_ids)})
    return {row.id: Addressee(row.number, row.name, row.mail or "", bool(row.gift)) for row in rows}


def remembered_now(db: Connection, order_id: int) -> str:
    """The letters of the order's animals that are no longer alive."""
    return "".join(db.execute(_REMEMBERED, {"order_id": order_id}).scalars())


def still_to_tell(db: Connection, news_ids: Iterable[int]) -> set[int]:
    """Those of some news that were neither told nor taken back meanwhile."""
    return set(db.execute(_STILL_TO_TELL, {"ids": list(news_ids)}).scalars())


def add(db: Connection, rows: Sequence[dict[str, Any]]) -> list[int]:
    """Add letters; gives their ids in order."""
    first = int(db.execute(_NEXT_ID).scalar_one())
    ids = list(range(first, first + len(rows)))
    db.execute(_ADD, [{**row, "id": id_} for id_, row in zip(ids, rows, strict=True)])
    return ids


def settle(db: Connection, told: Sequence[tuple[int, int | None]], now: int) -> None:
    """Mark news as told by a letter, or (with None) as told by none."""
    if told:
        db.execute(
            _TOLD, [{"id": id_, "letter_id": letter_id, "now": now} for id_, letter_id in told]
        )


# ---------------------------------------------------------------- what time brings

_LAST_CALLS = text(
    "SELECT DISTINCT o.id FROM orders o JOIN order_animals oa ON oa.order_id = o.id"
    " JOIN models m ON m.id = oa.model_id"
    " WHERE o.open = 1 AND o.copy_deadline BETWEEN :today AND :until AND m.open = 1"
    " AND m.step = 'finishing' AND m.hold_reason = ''"
    " AND NOT EXISTS (SELECT 1 FROM news n WHERE n.order_id = o.id AND n.kind = 'last_call')"
)
# Counted from the letter that asked: where none was written, nothing is to be reminded of.
_PHOTOS_ASKED = text(
    "SELECT oa.order_id, oa.letter, m.attempts, a.life, max(l.sent_at) AS asked_at"
    " FROM models m JOIN order_animals oa ON oa.model_id = m.id"
    " JOIN animals a ON a.id = oa.animal_id JOIN orders o ON o.id = oa.order_id"
    " JOIN news n ON n.order_id = oa.order_id AND n.taken_back_at IS NULL"
    " AND (m.attempts = 0 AND n.kind = 'order_in'"
    " OR n.kind = 'more_views' AND n.letter = oa.letter AND n.round = m.attempts)"
    " JOIN letters l ON l.id = n.letter_id AND l.state = 'sent'"
    " WHERE m.open = 1 AND m.step = 'photos_wanted' AND m.told_at IS NULL"
    " AND m.hold_reason = '' AND o.open = 1 GROUP BY oa.id"
)
_REMINDED = text("SELECT order_id, letter, round FROM news WHERE kind = 'photo_reminder'")


def last_calls_due(db: Connection, today: str, until: str) -> list[int]:
    """The orders whose last day for copies lies between two days and that were not called."""
    return list(db.execute(_LAST_CALLS, {"today": today, "until": until}).scalars())


def photos_asked(db: Connection) -> Sequence[_Row]:
    """The animals whose photos were asked for by a letter and have not been told of."""
    return db.execute(_PHOTOS_ASKED).all()


def reminded(db: Connection) -> set[tuple[int, str, int]]:
    """The reminders that were noted before, also those that somebody stopped."""
    return {(row.order_id, row.letter, row.round) for row in db.execute(_REMINDED)}
