"""How much of each thing there is already, and links of customers to try an address with."""

from typing import Any

from sqlalchemy import Connection, Row, or_, select, text

from app.shared.tokens import status_token
from app.tables import orders, status_links

# Counted in one go: it is asked for the pages on which the next step stands.
_COUNTED = text(
    """
SELECT (SELECT count(*) FROM machines) AS machines,
  (SELECT count(*) FROM accounts WHERE off_at IS NULL)
    + (SELECT count(*) FROM sign_in_links WHERE purpose = 'invitation' AND uses > 0
       AND lapses_at > :now) AS people,
  (SELECT count(*) FROM closures WHERE taken_back_at IS NULL) AS closures,
  (SELECT count(*) FROM carriers WHERE gone_at IS NULL) AS carriers,
  (SELECT count(*) FROM imports WHERE taken_back_at IS NULL) AS sheets,
  (SELECT count(*) FROM (SELECT 1 FROM orders LIMIT 1)) AS orders
"""
)


def counted(db: Connection, now: int) -> Row[Any]:
    """How many machines, people, closures, carriers, sheets and orders (at most one) there are."""
    return db.execute(_COUNTED, {"now": now}).one()


def live_tokens(db: Connection, key: bytes, now: int, most: int) -> list[str]:
    """What some links that open a page now end in: of open orders, the oldest first."""
    query = (
        select(status_links.c.nonce)
        .join(orders, orders.c.id == status_links.c.order_id)
        .where(
            status_links.c.revoked_at.is_(None),
            or_(status_links.c.lapses_at.is_(None), status_links.c.lapses_at > now),
            orders.c.open == 1,
        )
        .order_by(status_links.c.id)
        .limit(most)
    )
    return [status_token(key, nonce) for nonce in db.execute(query).scalars()]
