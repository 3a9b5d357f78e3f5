"""The accounts of the staff, as the owner keeps them. Each public function is one act."""

import logging
from typing import Any

from sqlalchemy import Connection, Row

from app.shared.database import Database
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person, Role
from app.shared.text import tidy
from app.staff import links, passwords, rules, store

log = logging.getLogger("likewright.staff")

_LAST_OWNER = "This is the only owner who can sign in. Make somebody else an owner first."


def invite(database: Database, by: Person, name: str, role: str, now: int) -> str:
    """Invite somebody; returns the path of a one-use link, which is shown once.

    An earlier invitation under the same name is withdrawn. Raises BadFields.
    """
    name = tidy(name)
    links.check_name(name)
    if role not in Role.__members__.values():
        raise BadFields({"role": "Choose one from the list."})
    with database.writing() as db:
        links.check_free(db, name)
        store.withdraw_links(db, "invitation", name=name)
        path = links.new_link(db, "invitation", now, name=name, role=role)
    log.info("account %s invited somebody as %s", by.account_id, role)
    return path


def take_back_invitation(database: Database, by: Person, link_id: int) -> None:
    """Let an invitation open nothing any more. Raises NotFound."""
    with database.writing() as db:
        if not store.withdraw_links(db, "invitation", id=link_id):
            raise NotFound("That invitation is no longer open.")
    log.info("account %s took back invitation %d", by.account_id, link_id)


def change_role(database: Database, by: Person, account_id: int, role: str, now: int) -> None:
    """Give somebody another role. Raises NotFound, BadFields, or Refused for the last owner."""
    if role not in Role.__members__.values():
        raise BadFields({"role": "Choose one from the list."})
    with database.writing() as db:
        found = _found(db, account_id)
        if found.role == role:
            return
        _keep_an_owner(db, found)
        store.set_account(db, account_id, role=role)
        store.note_change(db, account_id, by.account_id, now, "role", found.role, role)
    log.info("account %s made account %d %s", by.account_id, account_id, role)


def switch_off(database: Database, by: Person, account_id: int, now: int) -> None:
    """Keep somebody out: sessions end and links to the account open nothing.

    Raises NotFound, or Refused for the last owner.
    """
    with database.writing() as db:
        found = _found(db, account_id)
        if found.off_at is not None:
            return
        _keep_an_owner(db, found)
        store.set_account(db, account_id, off_at=now)
        store.end_sessions_of(db, account_id, now)
        store.withdraw_links(db, "way_back", account_id=account_id)
        store.note_change(db, account_id, by.account_id, now, "switched off", "on", "off")
    log.info("account %s switched off account %d", by.account_id, account_id)


def switch_on(database: Database, by: Person, account_id: int, now: int) -> None:
    """Let somebody in again, with the password they had. Raises NotFound."""
    with database.writing() as db:
        found = _found(db, account_id)
        if found.off_at is None:
            return
        store.set_account(db, account_id, off_at=None)
        store.note_change(db, account_id, by.account_id, now, "switched off", "off", "on")
    log.info("account %s switched on account %d", by.account_id, account_id)


def set_pin(database: Database, by: Person, account_id: int, pin: str, now: int) -> None:
    """Give a name of the bench a PIN, or take it away. Raises NotFound, BadFields."""
    pin = pin.strip()
    if (wrong := rules.pin_problem(pin)) is not None:
        raise BadFields({"pin": wrong})
    kept = passwords.make(pin) if pin else None
    with database.writing() as db:
        before = _found(db, account_id)
        store.set_account(db, account_id, pin_hash=kept)
        was, now_is = ("set" if one else "none" for one in (before.pin_hash, kept))
        store.note_change(db, account_id, by.account_id, now, "pin", was, now_is)
    log.info("account %s set the PIN of account %d", by.account_id, account_id)


def _found(db: Connection, account_id: int) -> Row[Any]:
    found = store.account(db, account_id)
    if found is None:
        raise NotFound("There is no such account.")
    return found


def _keep_an_owner(db: Connection, found: Row[Any]) -> None:
    is_owner = found.role == Role.OWNER and found.off_at is None
    if is_owner and store.other_owners(db, found.id) == 0:
        raise Refused(_LAST_OWNER)
