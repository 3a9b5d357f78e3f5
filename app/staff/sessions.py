"""Signing in and out: sessions of browsers, and one's own password."""

import logging
import secrets
from typing import Any

from sqlalchemy import Connection, Row

from app.shared.database import Database
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person, Role
from app.shared.text import fold, tidy
from app.shared.web import words
from app.staff import passwords, rules, store

log = logging.getLogger("likewright.staff")

_NOT_TOGETHER = "That name and password do not match."


class SlowDown(Refused):
    """Too many wrong guesses at one name: the next is looked at after `seconds`."""

    def __init__(self, seconds: int, what: str = "passwords") -> None:
        wait = words.count(-(-seconds // 60), "minute") if seconds > 90 else f"{seconds} seconds"
        super().__init__(f"Too many wrong {what} for this name. Try again in {wait}.")
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


def begin(db: Connection, account_id: int, now: int, since: int | None = None) -> str:
    """Start a session; returns the cookie's text, 256 random bits. `since` as in the store."""
    token = secrets.token_urlsafe(32)
    store.start_session(db, account_id, token, now, since)
    return token


def switch(
    database: Database, session_id: int, token: str, account_id: int, pin: str, now: int
) -> str:
    """Go on in a browser that is signed in as somebody else of the bench; the cookie's new text.

    The session keeps its age: after thirty days somebody types a password again. Raises NotFound
    for who does not work at the bench, BadFields for a wrong PIN, SlowDown after too many.
    """
    # In no folded name is there a capital: nobody who signs in can use up these guesses.
    key = f"PIN {account_id}"
    with database.writing() as db:
        found = _at_the_bench(db, account_id)
        wait = rules.pause(store.tries_at(db, key), now) if found.pin_hash else 0
        if found.pin_hash and not wait:
            store.note_try(db, key, now)
    if wait:
        log.warning("the PIN of account %d is slowed", account_id)
        raise SlowDown(wait, "PINs")
    if found.pin_hash and not passwords.fits(found.pin_hash, pin):
        log.warning("wrong PIN for account %d", account_id)
        raise BadFields({"pin": "That is not the PIN of this name."})
    with database.writing() as db:
        # The PIN was looked at outside of any transaction: it may have changed meanwhile.
        if _at_the_bench(db, account_id).pin_hash != found.pin_hash:
            raise BadFields({"pin": "That is not the PIN of this name."})
        store.forget_tries(db, key)
        since = store.begun_at(db, session_id)
        store.end_session(db, token, now)
        fresh = begin(db, account_id, now, since)
    log.info("account %d goes on in a browser of the bench", account_id)
    return fresh


def _at_the_bench(db: Connection, account_id: int) -> Row[Any]:
    found = store.account(db, account_id)
    if found is None or found.off_at is not None or found.role != Role.BENCH:
        raise NotFound("Nobody of the bench has that name now. Load the page again.")
    return found


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
