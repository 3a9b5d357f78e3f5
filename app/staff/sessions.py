"""Signing in and out: sessions of browsers, and one's own password."""

import logging
import secrets
from typing import Any

from sqlalchemy import Connection, Row

from app.shared.database import Database
from app.shared.errors import BadFields, Refused
from app.shared.people import Person
from app.shared.text import fold, tidy
from app.shared.web import words
from app.staff import passwords, rules, store

log = logging.getLogger("likewright.staff")

_NOT_TOGETHER = "That name and password do not match."


class SlowDown(Refused):
    """Too many wrong guesses at one name: the next is looked at after `seconds`."""

    def __init__(self, seconds: int) -> None:
        wait = words.count(-(-seconds // 60), "minute") if seconds > 90 else f"{seconds} seconds"
        super().__init__(f"Too many wrong passwords for this name. Try again in {wait}.")
        self.seconds = seconds


def sign_in(database: Database, name: str, password: str, now: int) -> str:
    """Check a name and password and begin a session; returns the cookie's text.

    Raises BadFields where they do not belong together, SlowDown after too many wrong guesses.
    """
    key = _key(name)
    # The guess is counted before it is looked at, so that many at once are counted too.
    with database.writing() as db:
        wait = rules.pause(store.tries_at(db, key), now)
        if not wait:
            store.note_try(db, key, now)
        found = store.account_named(db, key)
    if wait:
        log.warning("sign-in slowed for account %s", found.id if found else "unknown")
        raise SlowDown(wait)
    kept = found.password_hash if found is not None and found.off_at is None else None
    if not passwords.fits(kept, password) or found is None:
        log.warning("wrong password for account %s", found.id if found else "unknown")
        raise BadFields({"password": _NOT_TOGETHER})
    again = passwords.make(password) if passwords.is_outdated(found.password_hash) else None
    return _let_in(database, found, again, now)


def _key(name: str) -> str:
    """The folded name, of a length and of signs that the table of guesses can keep."""
    return fold(tidy(name))[: rules.LONGEST_NAME].encode("utf-8", "replace").decode()


def _let_in(database: Database, found: Row[Any], new_hash: str | None, now: int) -> str:
    with database.writing() as db:
        # The password was checked outside of any transaction: it may have changed meanwhile.
        still = store.account(db, found.id)
        if still is None or still.off_at or still.password_hash != found.password_hash:
            raise BadFields({"password": _NOT_TOGETHER})
        store.forget_tries(db, found.name_key)
        if new_hash:
            store.set_account(db, found.id, password_hash=new_hash)
        token = begin(db, found.id, now)
    log.info("account %d signed in", found.id)
    return token


def begin(db: Connection, account_id: int, now: int) -> str:
    """Start a session; returns the cookie's text, 256 random bits."""
    token = secrets.token_urlsafe(32)
    store.start_session(db, account_id, token, now)
    return token


def sign_out(database: Database, token: str, now: int) -> None:
    """End a session on the server: its cookie opens nothing any more."""
    with database.writing() as db:
        store.end_session(db, token, now)
    log.info("signed out")


def change_password(
    database: Database,
    me: Person,
    session_id: int,
    current: str,
    new: str,
    own_words: str,
    now: int,
) -> None:
    """Give oneself another password; every other session of the account ends.

    Raises BadFields where the current one is wrong or the new one will not do, SlowDown after
    too many wrong guesses at the current one.
    """
    assert me.account_id is not None
    key = _key(me.name)
    check_password(new, me.name, own_words)
    with database.writing() as db:
        wait = rules.pause(store.tries_at(db, key), now)
        if not wait:
            store.note_try(db, key, now)
        found = store.account(db, me.account_id)
    if wait:
        raise SlowDown(wait)
    assert found is not None
    if not passwords.fits(found.password_hash, current):
        log.warning("wrong current password for account %d", found.id)
        raise BadFields({"current": "That is not your current password."})
    kept = passwords.make(new)
    with database.writing() as db:
        store.forget_tries(db, key)
        store.set_account(db, found.id, password_hash=kept)
        store.end_sessions_of(db, found.id, now, keep=session_id)
        store.note_change(db, found.id, found.id, now, "password")
    log.info("account %d changed its password", found.id)


def check_password(password: str, *own_words: str) -> None:
    """Raise BadFields for a password that will not do; `own_words` are names it may not be."""
    if (wrong := rules.password_problem(password, *own_words)) is not None:
        raise BadFields({"password": wrong})
