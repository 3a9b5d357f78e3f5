"""What the owner's page counts in the tables."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, text

from app.flow.after.cases import OF_CASES
from app.owner.today.rules import AtAStep, InAndOut

# Pieces that customers ordered: no remakes, no work of a case, nothing taken off an order again.
_OWN = f"c.withdrawn = 0 AND c.replaces_id IS NULL AND c.id NOT IN ({OF_CASES})"
# Every move as it should have been: undone ones out, corrected ones in their right form.
MOVES = """
SELECT t.copy_id, t.model_id, t.from_step, coalesce(k.to_step, t.to_step) AS to_step,
  coalesce(k.happened_at, t.happened_at) AS at
FROM transitions t LEFT JOIN transitions k ON k.about_id = t.id AND k.kind = 'correction'
WHERE t.kind = 'move' AND t.recorded_at >= :since AND (k.id IS NULL OR k.to_step IS NOT NULL)
  AND t.id NOT IN (SELECT about_id FROM transitions WHERE kind = 'undo')
"""
_ORDERED = text(
    f"SELECT count(*) FROM copies c JOIN orders o ON o.id = c.order_id WHERE {_OWN}"  # noqa: S608
    " AND o.taken_at >= :since AND o.taken_at <= :now AND o.imported = 0"
)
# The photos of an animal made once more passed long before the order came.
_ACCEPTED = text(
    "SELECT count(*) FROM copies c JOIN orders o ON o.id = c.order_id"  # noqa: S608
    f" JOIN models m ON m.id = c.model_id WHERE {_OWN} AND o.imported = 0"
    " AND max(coalesce(c.passed_at, m.passed_at), o.taken_at) BETWEEN :since AND :now"
)
_LEFT = text(
    f"SELECT count(DISTINCT v.copy_id) FROM ({MOVES}) v JOIN copies c ON c.id = v.copy_id"  # noqa: S608
    f" WHERE v.to_step = 'handed_over' AND v.at BETWEEN :since AND :now"
    f" AND c.withdrawn = 0 AND c.id NOT IN ({OF_CASES})"
)
_THROUGH = text(
    f"SELECT from_step AS step, count(*) AS n FROM ({MOVES})"  # noqa: S608
    " WHERE at BETWEEN :since AND :now AND from_step <> to_step GROUP BY from_step"
)
# A model stands at its bench once, however many copies wait for it.
_HERE = text(
    "SELECT step, count(*) AS n, sum(in_hand) AS hands, sum(hold_whose <> '') AS held FROM ("
    " SELECT step, in_hand, hold_whose FROM models WHERE open = 1"
    " UNION ALL SELECT step, in_hand, hold_whose FROM copies WHERE open = 1 AND withdrawn = 0)"
    " GROUP BY step"
)
_CHANCE_BEFORE = text(
    "SELECT k.order_id, k.day, k.thousandths FROM chances k JOIN orders o ON o.id = k.order_id"
    " WHERE o.open = 1 AND k.needed_by = o.needed_by AND k.day = (SELECT max(day) FROM chances"
    " WHERE order_id = k.order_id AND day <= :day AND needed_by = o.needed_by)"
)


# What was said of each order that was needed by a day, four weeks before that day, and when the
# last of its pieces left.
_SAID = text(
    "WITH gone AS (SELECT c.order_id, max(v.at) AS at"  # noqa: S608
    f" FROM ({MOVES}) v JOIN copies c ON c.id = v.copy_id WHERE v.to_step = 'handed_over'"
    " AND c.order_id IN (SELECT order_id FROM chances WHERE needed_by < :today)"
    " GROUP BY c.order_id)"
    " SELECT k.thousandths, k.needed_by, o.ship_country, gone.at AS left_at,"
    " EXISTS (SELECT 1 FROM copies c WHERE c.order_id = o.id AND c.open = 1"
    " AND c.step <> 'handed_over') AS here"
    " FROM chances k JOIN orders o ON o.id = k.order_id LEFT JOIN gone ON gone.order_id = o.id"
    " WHERE k.needed_by = o.needed_by AND k.day = (SELECT max(day) FROM chances"
    " WHERE order_id = o.id AND needed_by = o.needed_by AND day <= date(o.needed_by, '-28 days'))"
    " AND k.needed_by < :today"
)


def said_of_needed(db: Connection, today: str) -> Sequence[Any]:
    """Orders whose needed day has passed, with the chance that was kept four weeks before it, when
    the last of it left (None where nothing did) and whether some of it still is here."""
    return db.execute(_SAID, {"since": 0, "today": today}).all()


def flow(db: Connection, since: int, now: int) -> InAndOut:
    """What came in and what left between two moments (UTC seconds)."""
    asked = {"since": since, "now": now}
    return InAndOut(*(db.execute(q, asked).scalar_one() for q in (_ORDERED, _ACCEPTED, _LEFT)))


def at_steps(db: Connection, since: int, now: int) -> dict[str, AtAStep]:
    """By step, what stands there and what went through since a moment."""
    asked = {"since": since, "now": now}
    through = {row.step: int(row.n) for row in db.execute(_THROUGH, asked)}
    here = {row.step: row for row in db.execute(_HERE)}
    return {
        step: AtAStep(row.n, row.hands, row.held, through.get(step, 0))
        for step, row in here.items()
    } | {step: AtAStep(0, 0, 0, n) for step, n in through.items() if step not in here}


def chances_before(db: Connection, day: str) -> dict[int, tuple[str, float]]:
    """By open order, the last chance kept up to a day, for the day it still is needed by."""
    rows: Sequence[Any] = db.execute(_CHANCE_BEFORE, {"day": day}).all()
    return {row.order_id: (row.day, row.thousandths / 1000) for row in rows}
