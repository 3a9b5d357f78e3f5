"""The key that customers' links are made with, known again at every start by its fingerprint.

With another key the old links still open their pages while each link that a letter carries opens
none, so nobody would notice. A studio that has given out links therefore starts with its own key,
or not at all.
"""

import sqlite3
from contextlib import closing
from dataclasses import dataclass

from sqlalchemy import update

from app.orders.order import links
from app.shared.database import Database
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.shared.tokens import key_fingerprint, status_token, token_hash
from app.shared.web.words import count
from app.tables import house
from app.tables.migrating import migrate, version_of

_GIVEN_OUT = """
SELECT count(DISTINCT l.order_id), count(DISTINCT o.customer_id)
FROM status_links l JOIN orders o ON o.id = l.order_id WHERE l.revoked_at IS NULL
"""
_ANOTHER = "is not the one that this workshop's links came from"
_LIVE = "SELECT nonce, token_hash FROM status_links WHERE revoked_at IS NULL"


@dataclass(frozen=True, slots=True)
class GivenOut:
    """How many orders have a link that opens their page, and of how many customers they are."""

    orders: int
    customers: int

    def __str__(self) -> str:
        return (
            f"the links of {count(self.orders, 'order')} no longer open anything, and "
            f"{count(self.customers, 'customer')} must be sent the new ones"
        )


def given_out(raw: sqlite3.Connection) -> GivenOut:
    """The links that a new key would make worthless."""
    return GivenOut(*raw.execute(_GIVEN_OUT).fetchone())


def kept_fingerprint(raw: sqlite3.Connection) -> str | None:
    """The fingerprint of the key as the studio was opened with last; None before that."""
    found: str | None = raw.execute("SELECT key_fingerprint FROM house").fetchone()[0]
    return found


def is_the_studios_own(raw: sqlite3.Connection, key: bytes) -> bool:
    """Whether the links were made with this key: by the fingerprint kept, else by the links."""
    kept = kept_fingerprint(raw)
    if kept is not None:
        return kept == key_fingerprint(key)
    return any(
        token_hash(status_token(key, nonce)) == link_hash for nonce, link_hash in raw.execute(_LIVE)
    )


def refuse_without_key(folder: DataFolder) -> None:
    """Before a missing key file is made: raise CannotStart where links were given out."""
    if folder.key_file.exists() or version_of(folder.database_file) is None:
        return
    lost = _at_stake(folder)
    if lost.orders:
        raise _wrong_key(folder, "is missing", lost)


def what_is_wrong(folder: DataFolder) -> str:
    """What `refuse_without_key` and `recognise` would refuse, as a sentence; empty where nothing.
    Reads only, of a database of this program's version.
    """
    address = f"{folder.database_file.resolve().as_uri()}?mode=ro"
    with closing(sqlite3.connect(address, uri=True)) as raw:
        lost = given_out(raw)
        if not lost.orders:
            return ""
        if not folder.key_file.exists():
            return str(_wrong_key(folder, "is missing", lost))
        if not is_the_studios_own(raw, folder.key):
            return str(_wrong_key(folder, _ANOTHER, lost))
    return ""


def _at_stake(folder: DataFolder) -> GivenOut:
    address = f"{folder.database_file.resolve().as_uri()}?mode=ro"
    with closing(sqlite3.connect(address, uri=True)) as raw:
        return given_out(raw)


def recognise(folder: DataFolder) -> None:
    """Keep the key's fingerprint at the first opening, and compare it at every later one.

    Raises CannotStart for another key than the one that the links were made with.
    """
    with closing(sqlite3.connect(folder.database_file, isolation_level=None, timeout=10)) as raw:
        lost = given_out(raw)
        if lost.orders and not is_the_studios_own(raw, folder.key):
            raise _wrong_key(folder, _ANOTHER, lost)
        mine = key_fingerprint(folder.key)
        if kept_fingerprint(raw) != mine:
            raw.execute("UPDATE house SET key_fingerprint = ?", (mine,))


def _wrong_key(folder: DataFolder, what: str, lost: GivenOut) -> CannotStart:
    return CannotStart(
        f"The key file {folder.key_file} {what}. Put the workshop's own key file back there, "
        "from the copy kept elsewhere or from the folder that the data was moved from. "
        "If it is lost for good, `likewright replace-links` makes every link new (so does "
        f"`likewright restore FILE --replace-links` with a backup). Then {lost}."
    )


def replace_links(folder: DataFolder, now: int, *, yes: bool) -> GivenOut:
    """Make every customer's link new, with a new key where there is none; gives what that cost.

    Raises CannotStart where there is no studio, beside a running server, and without a `yes`:
    nothing has changed then.
    """
    if version_of(folder.database_file) is None:
        raise folder.missing()
    lost = _at_stake(folder)
    if not yes:
        raise CannotStart(f"Nothing was done. With --yes {lost}.")
    folder.prepare()
    with closing(folder.hold()):
        migrate(folder.database_file, now)
        with closing(Database(folder.database_file)) as studio, studio.writing() as db:
            links.replace_all(db, folder.key, now)
            db.execute(update(house).values(key_fingerprint=key_fingerprint(folder.key)))
    return lost
