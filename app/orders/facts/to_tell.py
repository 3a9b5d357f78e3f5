"""Customers who should hear from a person that it takes longer than they were told.

One list for the desk, the owner and the page of a single order.
"""

from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection, text
from sqlalchemy.engine import Row

from app.orders.facts import ranges
from app.orders.facts.gather import facts_of_many
from app.orders.facts.order import OrderFacts
from app.orders.facts.ranges import Shown
from app.orders.facts.standing import decision
from app.studio.workshop import InForce

# Few orders at a time run late: facts are read of those whose end was dropped, whose computed end
# lies beyond the told one, or of which the house holds something. A letter that waits already is a
# yes already.
_MAYBE = text(
    """
SELECT o.id, c.name AS customer, c.phone FROM orders o JOIN customers c ON c.id = o.customer_id
  JOIN tellings t ON t.id =
    (SELECT id FROM tellings WHERE order_id = o.id ORDER BY at DESC, id DESC LIMIT 1)
  LEFT JOIN forecasts f ON f.order_id = o.id
WHERE o.open = 1 AND (:order_id IS NULL OR o.id = :order_id)
  AND (t.to_day IS NULL OR t.to_day < :today OR f.later_since IS NOT NULL
    OR date(f.computed_at + 86400 * (json_extract(f.points, '$."85"') + 1), 'unixepoch') > t.to_day
    OR EXISTS (SELECT 1 FROM copies WHERE order_id = o.id AND open = 1
      AND hold_whose IN ('studio', 'supplier'))
    OR EXISTS (SELECT 1 FROM models WHERE order_id = o.id AND open = 1
      AND hold_whose IN ('studio', 'supplier')))
  AND NOT EXISTS (SELECT 1 FROM news n WHERE n.order_id = o.id AND n.kind = 'running_later'
    AND n.told_at IS NULL AND n.taken_back_at IS NULL)
ORDER BY o.id
"""
)


@dataclass(frozen=True, slots=True)
class RunningLate:
    """An order whose customer should hear: the end they were last told, whether their page still
    names it, the days computed now (None while there are none), and by when their page says that
    we write.
    """

    number: int
    customer: str
    phone: str
    told_end: date | None
    named: bool
    from_day: date | None
    to_day: date | None
    write_by: date | None


def to_tell(
    db: Connection, in_force: InForce, now: int, order_id: int | None = None
) -> list[RunningLate]:
    """The orders of which the desk should say that they take longer, who is promised first; or
    only one of them.
    """
    today = in_force.calendar.day_of(now).isoformat()
    maybe = {row.id: row for row in db.execute(_MAYBE, {"order_id": order_id, "today": today})}
    if not maybe:
        return []
    found = facts_of_many(db, list(maybe), in_force, now)
    late = [_late(facts, maybe[id_], in_force, now) for id_, facts in found.items()]
    return sorted(
        (one for one in late if one is not None),
        key=lambda one: (one.write_by or date.max, one.told_end or date.max, one.number),
    )


def new_days(facts: OrderFacts, in_force: InForce, now: int) -> Shown | None:
    """The days that a letter about running later would name; None where none are computed."""
    if facts.computed is None or not facts.open or facts.left:
        return None
    today = in_force.calendar.day_of(now)
    first, last = ranges.days_of(facts.computed, today, in_force.calendar)
    return Shown(first, last, None, facts.computed.basis)


def _late(facts: OrderFacts, row: Row[Any], in_force: InForce, now: int) -> RunningLate | None:
    decided = decision(facts, in_force.calendar, now)
    if not decided.tell_them or decided.shown is None:
        return None
    days = new_days(facts, in_force, now)
    return RunningLate(
        facts.number, row.customer, row.phone, facts.told.promised if facts.told else None,
        decided.shown.to_day is not None, days.from_day if days else None,
        days.to_day if days else None,
        decided.shown.write_by,
    )  # fmt: skip
