"""The status links of an order: made, replaced, revoked; their text made again when needed."""

from sqlalchemy import Connection, insert, select, update

from app.flow.store import mark_stale
from app.shared import tokens
from app.tables import status_links


def make(db: Connection, key: bytes, order_id: int, by: int | None, now: int) -> str:
    """Give an order a new link and return its text. Older links stay as they are."""
    nonce = tokens.new_nonce()
    token = tokens.status_token(key, nonce)
    db.execute(
        insert(status_links).values(
            order_id=order_id,
            nonce=nonce,
            token_hash=tokens.token_hash(token),
            made_at=now,
            made_by_id=by,
        )
    )
    mark_stale(db, [order_id])
    return token


def revoke(db: Connection, order_id: int, now: int) -> None:
    """Let no link of an order open anything any more."""
    db.execute(
        update(status_links)
        .where(status_links.c.order_id == order_id, status_links.c.revoked_at.is_(None))
        .values(revoked_at=now)
    )
    mark_stale(db, [order_id])


def replace_all(db: Connection, key: bytes, now: int) -> int:
    """Give every order that has a link a new one, and let the old ones open nothing any more;
    gives how many orders."""
    query = select(status_links.c.order_id).where(status_links.c.revoked_at.is_(None)).distinct()
    orders = list(db.execute(query).scalars())
    for order_id in orders:
        revoke(db, order_id, now)
        make(db, key, order_id, None, now)
    return len(orders)


def current(db: Connection, key: bytes, order_id: int) -> str | None:
    """The text of an order's newest link that still opens its page, or None."""
    nonce = db.execute(
        select(status_links.c.nonce)
        .where(status_links.c.order_id == order_id, status_links.c.revoked_at.is_(None))
        .order_by(status_links.c.id.desc())
        .limit(1)
    ).scalar()
    return tokens.status_token(key, nonce) if nonce is not None else None
