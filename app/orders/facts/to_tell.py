"""Customers who should hear from a person that it takes longer than they were told."""

from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection, text

from app.orders.facts import ranges
from app.orders.facts.gather import facts_of_many
from app.orders.facts.order import OrderFacts, decision
from app.studio.workshop import InForce

# Few orders at a time run late; a letter that waits already is a yes already.
_MAYBE = text(
    """
SELECT o.id, c.name AS customer FROM orders o JOIN customers c ON c.id = o.customer_id
  LEFT JOIN forecasts f ON f.order_id = o.id
WHERE o.open = 1
  AND (f.later_since IS NOT NULL OR EXISTS (
    SELECT 1 FROM tellings t WHERE t.write_by IS NOT NULL AND t.id =
      (SELECT id FROM tellings WHERE order_id = o.id ORDER BY at DESC, id DESC LIMIT 1)))
  AND NOT EXISTS (SELECT 1 FROM news n WHERE n.order_id = o.id AND n.kind = 'running_later'
    AND n.told_at IS NULL AND n.taken_back_at IS NULL)
ORDER BY o.id
"""
)


@dataclass(frozen=True, slots=True)
class Late:
    """An order whose customer should hear: the end they were told (None where it was dropped), the
    days computed now (None while there are none), and by when their page says that we write.
    """

    number: int
    customer: str
    told_end: date | None
    from_day: date | None
    to_day: date | None
    write_by: date | None


def to_tell(db: Connection, in_force: InForce, now: int) -> list[Late]:
    """The orders of which the desk should say that they take longer, who is promised first."""
    customer = {row.id: row.customer for row in db.execute(_MAYBE)}
    if not customer:
        return []
    found = facts_of_many(db, list(customer), in_force, now)
    late = [_late(facts, customer[id_], in_force, now) for id_, facts in found.items()]
    return sorted(
        (one for one in late if one is not None),
        key=lambda one: (one.write_by or date.max, one.told_end or date.max, one.number),
    )


def _late(facts: OrderFacts, customer: str, in_force: InForce, now: int) -> Late | None:
    decided = decision(facts, in_force.calendar, now)
    if not decided.tell_them or decided.shown is None:
        return None
    first = last = None
    if facts.computed is not None:
        first, last = ranges.days_of(
            facts.computed, in_force.calendar.day_of(now), in_force.calendar
        )
    return Late(facts.number, customer, decided.shown.to_day, first, last, decided.shown.write_by)
