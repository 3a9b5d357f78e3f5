"""Links that let somebody in: the first owner, an invitation, one locked out, and the demo's.

Each function that makes one returns the path of its address, which is kept nowhere else: the
database has the SHA-256 of the key in it. Opening a link shows a button; only the button uses it,
because programs that look through mails open links before people do.
"""

import logging
import secrets
from typing import Any

from sqlalchemy import Connection, Row

from app.shared.database import Database
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Role
from app.shared.text import fold, tidy
from app.staff import passwords, rules, sessions, store
from app.staff.sessions import check_password

log = logging.getLogger("likewright.staff")

PATH = "/in/"
GONE = (
    "This link no longer works: it has been used or has expired. "
    "Ask the owner for a new one, or make one with: likewright sign-in-link NAME"
)


def first_link(db: Connection, now: int) -> str | None:
    """The one-use link that makes the owner's account, or None where there is an account.

    Call it at every start: an older one is withdrawn. Returns the path of the address.
    """
    if store.count_accounts(db):
        return None
    store.withdraw_links(db, "first")
    return new_link(db, "first", now, role=Role.OWNER)


def way_back_link(db: Connection, name: str, now: int) -> str:
    """A one-use link with which somebody sets a new password; the path of the address.

    The beginning of a name is enough where only one account's begins like that.
    Raises NotFound for a name without an account, Refused for an account that is switched off.
    """
    found = store.account_named(db, fold(tidy(name))) or _only_one_like(db, fold(tidy(name)))
    if found is None:
        names = ", ".join(account.name for account in store.every_account(db))
        raise NotFound(
            f"Nobody here is called {name}. The accounts are: {names}." if names
            else f"Nobody here is called {name}: there are no accounts yet."
        )  # fmt: skip
    if found.off_at is not None:
        raise Refused(f"The account of {found.name} is switched off. An owner can switch it on.")
    store.withdraw_links(db, "way_back", account_id=found.id)
    return new_link(db, "way_back", now, account_id=found.id, name=found.name)


def _only_one_like(db: Connection, begins: str) -> Row[Any] | None:
    found = [a for a in store.every_account(db) if begins and a.name_key.startswith(begins)]
    return found[0] if len(found) == 1 else None


def demo_link(db: Connection, account_id: int, now: int) -> str:
    """The demo's link: signs in as its owner, any number of times; the path of the address.

    The link of the demo's last run is withdrawn.
    """
    store.withdraw_links(db, "demo")
    return new_link(db, "demo", now, account_id=account_id, uses=-1)


def new_link(db: Connection, purpose: str, now: int, **values: Any) -> str:
    """Make a link for a purpose of rules.LINK_LIVES."""
    token = secrets.token_urlsafe(24)
    store.add_link(db, token, purpose, now, **values)
    return PATH + token


def look_at_link(db: Connection, token: str, now: int, *, demo: bool) -> Row[Any]:
    """A link that may still be used. Raises NotFound, in the same words whatever the reason."""
    link = store.live_link(db, token, now)
    if link is None or not _stands(db, link, demo=demo):
        raise NotFound(GONE)
    return link


def _stands(db: Connection, link: Row[Any], *, demo: bool) -> bool:
    if link.purpose == "first":
        return store.count_accounts(db) == 0
    if link.purpose == "invitation":
        return True
    if link.purpose == "demo" and not demo:
        return False
    owner = store.account(db, link.account_id)
    return owner is not None and owner.off_at is None


def use_link(
    database: Database,
    token: str,
    name: str,
    password: str,
    own_words: str,
    now: int,
    *,
    demo: bool,
) -> str:
    """Use a link: make the account it promises, set a new password, or just sign in.

    Returns the cookie's text. Raises NotFound (the link opens nothing) or BadFields.
    """
    with database.reading() as db:
        link = look_at_link(db, token, now, demo=demo)
    called = link.name or tidy(name)
    kept = ""
    if link.purpose != "demo":
        check_name(called)
        check_password(password, called, own_words)
        kept = passwords.make(password)
    with database.writing() as db:
        # Hashing took a while: only one of two who hold the same link gets through here.
        link = look_at_link(db, token, now, demo=demo)
        account_id = link.account_id or _new_account(db, link, called, kept, now)
        if link.purpose == "way_back":
            store.set_account(db, account_id, password_hash=kept)
            store.end_sessions_of(db, account_id, now)
            store.forget_tries(db, fold(called))
            store.note_change(db, account_id, account_id, now, "password")
        store.use_link(db, link.id, now)
        session = sessions.begin(db, account_id, now)
    log.info("account %d signed in by a link (%s)", account_id, link.purpose)
    return session


def _new_account(db: Connection, link: Row[Any], name: str, password_hash: str, now: int) -> int:
    check_free(db, name)
    account_id = store.add_account(db, name, fold(name), link.role, password_hash, now)
    store.note_change(db, account_id, account_id, now, "role", None, link.role)
    return account_id


def check_name(name: str) -> None:
    """Raise BadFields for a name that nobody can have here."""
    if (wrong := rules.name_problem(name)) is not None:
        raise BadFields({"name": wrong})


def check_free(db: Connection, name: str) -> None:
    """Raise BadFields for a name that somebody has, written alike or nearly so."""
    taken = store.account_named(db, fold(name))
    if taken is not None:
        off = " (switched off; it can be switched on again)" if taken.off_at else ""
        raise BadFields({"name": f"{taken.name} already has an account{off}."})
