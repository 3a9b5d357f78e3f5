"""Putting a backup in the place of a studio's database. Nothing of the old one is lost.

What must not come back with the old rows does not: sessions and sign-in links end, links that were
revoked since stay revoked where the old database can still be read, and no letter goes out until
the owner says yes. Pages are written anew.
"""

import os
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection, func, select, text, update

from app import tables
from app.letters import by_hand
from app.orders.order import links
from app.shared.database import Database
from app.shared.errors import CannotStart
from app.shared.faults import reach
from app.shared.places import DataFolder, hash_of, sync
from app.shared.tokens import key_fingerprint
from app.shared.web.words import capital, count
from app.tables import orders, status_links
from app.tables.migrating import migrate
from app.upkeep.backup import Label, read_label
from app.upkeep.pictures_kept import put_pictures_back

_SETTLE = (
    "DROP TABLE backup",
    "DROP TABLE backup_pictures",
    "UPDATE sessions SET ended_at = :now WHERE ended_at IS NULL",
    "UPDATE sign_in_links SET uses = 0 WHERE uses <> 0",
    "UPDATE status_pages SET wanted = wanted + 1",
)
_REVOKED = "SELECT token_hash, revoked_at FROM status_links WHERE revoked_at IS NOT NULL"
_GIVEN_OUT = "SELECT token_hash FROM status_links WHERE revoked_at IS NULL"


@dataclass(slots=True)
class Restored:
    """What a restore did.

    `aside` is where the old data lies (None where there was none); `lost` and `changed` are
    pictures that are not there, or not as they were, `brought_back` counts those that were
    put back from a folder of pictures; `unknown_links` opens nothing any more: it
    counts links that were given out after the backup.
    """

    made_at: int
    orders: int = 0
    aside: Path | None = None
    replaced_links: int = 0
    revoked_again: int = 0
    unknown_links: int = 0
    brought_back: int = 0
    lost: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)


def restore(
    folder: DataFolder,
    file: Path,
    now: int,
    *,
    replace_links: bool = False,
    pictures: Path | None = None,
) -> Restored:
    """Put a backup in the place of the studio's database, and what is missing under pictures/ from
    a folder that `keep_pictures` has filled.

    Raises CannotStart beside a running server, for a file that is no sound backup, and where the
    key is another one and `replace_links` was not said; nothing has changed then.
    """
    label = read_label(file)
    if not folder.key_file.exists() and not replace_links:
        raise _other_key(folder, "has no key")
    folder.prepare()
    new = folder.path / "studio.db.restoring"
    with closing(folder.hold()):
        other = key_fingerprint(folder.key) != label.key_fingerprint
        if other and not replace_links:
            raise _other_key(folder, "has another key")
        try:
            _unpack(file, new, now)
            done = Restored(label.made_at, aside=put_aside(folder, now))
            _settle(new, _closed(folder.database_file), folder.key, done, now, replace_links=other)
            reach("mid-restore")
            put_in_place(folder, new)
        except OSError as why:
            raise CannotStart(f"The backup could not be restored: {why.strerror}.") from why
        finally:
            for left in folder.path.glob("studio.db.restoring*"):
                left.unlink()
    if pictures is not None:
        done.brought_back = put_pictures_back(pictures, folder.pictures, label.pictures)
    _look_for_pictures(folder.pictures, label, done)
    return done


def put_in_place(folder: DataFolder, new: Path) -> None:
    """A database that lies ready takes the place of the studio's. Raises OSError."""
    # A WAL must not lie beside another file than its own; pages are written anew.
    for path in beside_it(folder):
        path.unlink()
    new.replace(folder.database_file)
    sync(folder.path)


def _other_key(folder: DataFolder, what: str) -> CannotStart:
    return CannotStart(
        f"{folder.path} {what}: the links of this backup were made with a key that is not here. "
        f"Put the workshop's own key file back as {folder.key_file} and restore again. If it is "
        "lost, use --replace-links: every customer's link is then replaced, the old ones stop "
        "working, and you have to send the new ones."
    )


def _unpack(file: Path, new: Path, now: int) -> None:
    new.unlink(missing_ok=True)
    os.close(os.open(new, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    shutil.copyfile(file, new)
    try:
        with closing(sqlite3.connect(new)) as raw:
            wrong = raw.execute("PRAGMA integrity_check").fetchone()[0]
    except sqlite3.DatabaseError as why:
        wrong = str(why)
    if wrong != "ok":
        raise CannotStart(f"{file} is damaged: {wrong}. Use an older one.")
    migrate(new, now)


def _closed(studio: Path) -> Path | None:
    """The old database with its WAL taken in; None where there is none that can be read."""
    if not studio.exists():
        return None
    try:
        with closing(sqlite3.connect(studio, timeout=10)) as raw:
            raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            raw.execute(_REVOKED).fetchone()
    except sqlite3.DatabaseError:
        return None
    return studio


def _settle(
    new: Path, old: Path | None, key: bytes, done: Restored, now: int, *, replace_links: bool
) -> None:
    with closing(Database(new)) as database, database.writing() as db:
        for sentence in _SETTLE:
            db.execute(text(sentence), {"now": now} if ":now" in sentence else {})
        by_hand.turn_off(db, now)
        done.orders = db.execute(select(func.count()).select_from(orders)).scalar_one()
        if old is not None:
            _links_of_the_old(db, old, done)
        if replace_links:
            done.replaced_links = links.replace_all(db, key, now)
        db.execute(update(tables.house).values(key_fingerprint=key_fingerprint(key)))
    sync(new)


def _links_of_the_old(db: Connection, old: Path, done: Restored) -> None:
    """What was revoked since stays revoked; what was given out since is counted."""
    with closing(sqlite3.connect(f"{old.resolve().as_uri()}?immutable=1", uri=True)) as raw:
        revoked = raw.execute(_REVOKED).fetchall()
        given_out = {row[0] for row in raw.execute(_GIVEN_OUT)}
    again = text(
        "UPDATE status_links SET revoked_at = :at WHERE token_hash = :link AND revoked_at IS NULL"
    )
    for link, at in revoked:
        done.revoked_again += db.execute(again, {"link": link, "at": at}).rowcount
    known = set(db.execute(select(status_links.c.token_hash)).scalars())
    done.unknown_links = len(given_out - known)


def put_aside(folder: DataFolder, now: int) -> Path | None:
    """Copies of the old files as they lie there, in a folder beside. None where there are none."""
    there = beside_it(folder)
    if folder.database_file.exists():
        there.insert(0, folder.database_file)
    if not there:
        return None
    beside = folder.path.resolve()
    stamp = datetime.fromtimestamp(now, UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = beside.with_name(f"{beside.name}-before-restore-{stamp}")
    aside.mkdir(mode=0o700, exist_ok=True)
    for path in there:
        shutil.copy2(path, aside / path.name)
        sync(aside / path.name)
    sync(aside)
    return aside


def beside_it(folder: DataFolder) -> list[Path]:
    """What belongs to the database file and must not lie beside another one."""
    names = ("studio.db-", "pages.db")
    return [path for path in folder.path.iterdir() if path.name.startswith(names)]


def _look_for_pictures(folder: Path, label: Label, done: Restored) -> None:
    for picture in label.pictures:
        path = folder / picture.path
        if not path.is_file():
            done.lost.append(picture.path)
        elif path.stat().st_size != picture.size or hash_of(path) != picture.sha256:
            done.changed.append(picture.path)


def lines(done: Restored, folder: DataFolder, made: str) -> Sequence[str]:
    """What a restore did, in sentences. `made` is the moment of the backup, in words."""
    said = [f"Restored: {done.orders:,} orders, as they were on {made}."]
    if done.aside is not None:
        said.append(f"What was there before is in {done.aside}.")
    said.append("Everybody must sign in again. No emails go out until an owner allows it.")
    if done.replaced_links:
        said.append(
            f"Another key: the links of {done.replaced_links:,} orders were replaced. The old ones "
            "no longer work, so send each customer the new one."
        )
    if done.revoked_again:
        said.append(f"{done.revoked_again:,} links that were revoked since stay revoked.")
    if done.unknown_links:
        said.append(
            f"{done.unknown_links:,} links were given out after this backup and no longer work."
        )
    if done.brought_back:
        said.append(
            f"{capital(count(done.brought_back, 'photo'))} brought back into {folder.pictures}."
        )
    for what, names in (("not there", done.lost), ("not as they were", done.changed)):
        if names:
            said.append(f"{len(names):,} photos are {what} in {folder.pictures}:")
            said.extend(f"  {name}" for name in names)
    return said
