"""Accounts, sessions, sign-in links and wrong guesses, as they lie in the database.

The texts of cookies and links come in here, and only the SHA-256 of each is kept.
"""

import hashlib
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, delete, func, insert, select, text, update

from app.flow import changes
from app.staff import rules
from app.tables import accounts, sessions, sign_in_links, sign_in_tries

_WHO = text(
    "SELECT s.id AS session_id, s.seen_at, a.id AS account_id, a.name, a.role,"
    " (SELECT version FROM house) AS version"
    " FROM sessions s JOIN accounts a ON a.id = s.account_id"
    " WHERE s.token_hash = :hash AND s.ended_at IS NULL AND a.off_at IS NULL"
    " AND s.seen_at > :idle AND s.made_at > :absolute"
)


def hash_of(token: str) -> str:
    """What is kept of the text of a cookie or link. The text is never decoded."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def who(db: Connection, token: str, now: int) -> Row[Any] | None:
    """The session of a cookie with its account, while both are good, and the house's version."""
    since = {"idle": now - rules.IDLE, "absolute": now - rules.ABSOLUTE}
    return db.execute(_WHO, {"hash": hash_of(token), **since}).first()


def start_session(
    db: Connection, account_id: int, token: str, now: int, since: int | None = None
) -> None:
    """Begin a session; those that ended long ago are swept out. It counts as begun at `since`,
    where it goes on from another one."""
    db.execute(delete(sessions).where(sessions.c.made_at < now - 2 * rules.ABSOLUTE))
    db.execute(
        insert(sessions).values(
            token_hash=hash_of(token), account_id=account_id, made_at=since or now, seen_at=now
        )
    )


def seen(db: Connection, session_id: int, now: int) -> None:
    """Note that somebody has just done something."""
    db.execute(update(sessions).where(sessions.c.id == session_id).values(seen_at=now))


def end_session(db: Connection, token: str, now: int) -> None:
    """End the session of a cookie, if it runs."""
    running = (sessions.c.token_hash == hash_of(token)) & sessions.c.ended_at.is_(None)
    db.execute(update(sessions).where(running).values(ended_at=now))


def end_sessions_of(db: Connection, account_id: int, now: int, keep: int | None = None) -> None:
    """End every session of an account, but for one that may be kept."""
    running = (sessions.c.account_id == account_id) & sessions.c.ended_at.is_(None)
    if keep is not None:
        running &= sessions.c.id != keep
    db.execute(update(sessions).where(running).values(ended_at=now))


def account(db: Connection, account_id: int) -> Row[Any] | None:
    """An account by its number."""
    return db.execute(select(accounts).where(accounts.c.id == account_id)).first()


def account_named(db: Connection, name_key: str) -> Row[Any] | None:
    """An account by its folded name."""
    return db.execute(select(accounts).where(accounts.c.name_key == name_key)).first()


def every_account(db: Connection) -> Sequence[Row[Any]]:
    """All accounts, those that are on first, by name."""
    return db.execute(select(accounts).order_by(accounts.c.off_at, accounts.c.name_key)).all()


def bench_people(db: Connection) -> Sequence[Any]:
    """The accounts of the bench that are on, by name."""
    able = (accounts.c.role == "bench") & accounts.c.off_at.is_(None)
    query = select(accounts.c.id, accounts.c.name, accounts.c.pin_hash).where(able)
    return db.execute(query.order_by(accounts.c.name_key)).all()


def begun_at(db: Connection, session_id: int) -> int:
    """When a session began (UTC seconds), as far back as it goes from name to name."""
    query = select(sessions.c.made_at).where(sessions.c.id == session_id)
    return int(db.execute(query).scalar_one())


def count_accounts(db: Connection) -> int:
    """How many accounts there are, switched off or not."""
    return int(db.execute(select(func.count()).select_from(accounts)).scalar_one())


def other_owners(db: Connection, account_id: int) -> int:
    """How many owners can sign in besides one account."""
    able = (accounts.c.role == "owner") & accounts.c.off_at.is_(None)
    query = select(func.count()).where(able & (accounts.c.id != account_id))
    return int(db.execute(query).scalar_one())


def add_account(
    db: Connection, name: str, name_key: str, role: str, password_hash: str, now: int
) -> int:
    """Make an account."""
    new = insert(accounts).values(
        name=name, name_key=name_key, role=role, password_hash=password_hash, made_at=now
    )
    return int(db.execute(new.returning(accounts.c.id)).scalar_one())


def set_account(db: Connection, account_id: int, **values: Any) -> None:
    """Change fields of an account."""
    db.execute(update(accounts).where(accounts.c.id == account_id).values(**values))


def note_change(
    db: Connection, account_id: int, by: int | None, now: int, field: str, *values: str | None
) -> None:
    """Keep who changed what of an account; `values` are before and after, never a password."""
    changes.note(db, by, now, "accounts", field, *values, of_id=account_id)


def tries_at(db: Connection, name_key: str) -> list[int]:
    """When wrong guesses were made at a name since the last right one."""
    query = select(sign_in_tries.c.at).where(sign_in_tries.c.name_key == name_key)
    return list(db.execute(query).scalars())


def note_try(db: Connection, name_key: str, now: int) -> None:
    """Note a guess; those of yesterday and all beyond rules.MOST_TRIES_KEPT are swept out."""
    newest = select(func.max(sign_in_tries.c.id)).scalar_subquery()
    beyond = sign_in_tries.c.id <= newest - (rules.MOST_TRIES_KEPT - 1)
    old = sign_in_tries.c.at < now - rules.TRIES_KEPT
    db.execute(delete(sign_in_tries).where(old | beyond))
    db.execute(insert(sign_in_tries).values(name_key=name_key, at=now))


def forget_tries(db: Connection, name_key: str) -> None:
    """The right password came, or the way back was used."""
    db.execute(delete(sign_in_tries).where(sign_in_tries.c.name_key == name_key))


def add_link(db: Connection, token: str, purpose: str, now: int, **values: Any) -> None:
    """Keep a sign-in link by its hash; it lapses as rules.LINK_LIVES says."""
    lapses_at = now + rules.LINK_LIVES[purpose]
    db.execute(
        insert(sign_in_links).values(
            token_hash=hash_of(token), purpose=purpose, made_at=now, lapses_at=lapses_at, **values
        )
    )


def live_link(db: Connection, token: str, now: int) -> Row[Any] | None:
    """A link that may still be used."""
    query = select(sign_in_links).where(
        sign_in_links.c.token_hash == hash_of(token),
        sign_in_links.c.uses != 0,
        sign_in_links.c.lapses_at > now,
    )
    return db.execute(query).first()


def use_link(db: Connection, link_id: int, now: int) -> None:
    """Count a use of a link; the demo's link has no end."""
    db.execute(
        text(
            "UPDATE sign_in_links SET used_at = :now,"
            " uses = CASE WHEN uses > 0 THEN uses - 1 ELSE uses END WHERE id = :id"
        ),
        {"now": now, "id": link_id},
    )


def withdraw_links(db: Connection, purpose: str, **of: Any) -> int:
    """Let links of a purpose open nothing any more; returns how many there were."""
    these = (sign_in_links.c.purpose == purpose) & (sign_in_links.c.uses != 0)
    for column, value in of.items():
        these &= sign_in_links.c[column] == value
    return int(db.execute(update(sign_in_links).where(these).values(uses=0)).rowcount)


def open_invitations(db: Connection, now: int) -> list[Any]:
    """Invitations that were not used yet, newest first."""
    links = sign_in_links.c
    query = select(links.id, links.name, links.role, links.made_at, links.lapses_at).where(
        links.purpose == "invitation", links.uses != 0, links.lapses_at > now
    )
    return list(db.execute(query.order_by(links.id.desc())))
