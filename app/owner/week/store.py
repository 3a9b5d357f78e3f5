"""What the week ahead reads beside the benches: days of orders, links, closures."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, text

_ORDERS = text(
    """
SELECT o.id, o.number, o.needed_by, o.ship_country, c.name,
  (SELECT group_concat(a.name, ', ') FROM order_animals oa JOIN animals a ON a.id = oa.animal_id
    WHERE oa.order_id = o.id) AS animals,
  (SELECT t.to_day FROM tellings t WHERE t.order_id = o.id ORDER BY t.at DESC, t.id DESC LIMIT 1)
    AS to_day
FROM orders o JOIN customers c ON c.id = o.customer_id
WHERE o.open = 1 AND EXISTS (SELECT 1 FROM copies k WHERE k.order_id = o.id AND k.open = 1
  AND k.step <> 'handed_over') ORDER BY o.number
"""
)
_LINKS = text(
    "SELECT d.lapses_on, o.number, c.name FROM photo_deliveries d"
    " JOIN orders o ON o.id = d.order_id JOIN customers c ON c.id = o.customer_id"
    " WHERE d.lapses_on IS NOT NULL"
    " AND d.fetched_at IS NULL AND o.open = 1 AND d.lapses_on BETWEEN :first AND :last"
    " ORDER BY d.lapses_on, o.number"
)


def open_orders(db: Connection) -> Sequence[Any]:
    """Orders with something in the house: the day needed by and the last day told."""
    return db.execute(_ORDERS).all()


def links_that_expire(db: Connection, first: str, last: str) -> Sequence[Any]:
    """Links to customers' photos that nobody has fetched, and that expire between two days."""
    return db.execute(_LINKS, {"first": first, "last": last}).all()
