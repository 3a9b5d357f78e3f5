"""A backup: one SQLite file that is whole by itself, made while the server runs.

Beside the studio's tables it holds a label: when it was made, which pictures belonged to it (path,
size, hash; not the pictures), and the fingerprint of the key file, never the key. With the key in
it, a stolen backup would open every customer's page.
"""

import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from app.photos.pictures.files import INBOX, INCOMING, SHOWN
from app.shared.errors import CannotStart
from app.shared.faults import reach
from app.shared.places import DataFolder, hash_of, sync
from app.shared.tokens import key_fingerprint
from app.tables.migrating import version_of
from app.upkeep.audit import AuditResult, audit
from app.upkeep.keys import kept_fingerprint

LABEL = """
CREATE TABLE backup (
    made_at INTEGER NOT NULL,
    key_fingerprint TEXT NOT NULL
) STRICT;
CREATE TABLE backup_pictures (
    path TEXT NOT NULL PRIMARY KEY,
    size INTEGER NOT NULL,
    changed_ns INTEGER NOT NULL,
    sha256 TEXT NOT NULL
) STRICT;
"""
_CHUNK = 1 << 20
# What is on its way in comes and goes, and what pages show can be made again.
_NOT_KEPT = frozenset({INCOMING, INBOX, SHOWN})


@dataclass(frozen=True, slots=True)
class StoredPicture:
    """A file under pictures/. `changed_ns`, its time of change, spares reading it every night."""

    path: str
    size: int
    changed_ns: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Label:
    """What a backup says of itself."""

    made_at: int
    key_fingerprint: str
    pictures: Sequence[StoredPicture]


@dataclass(frozen=True, slots=True)
class BackedUp:
    """A backup that was made, and what the audit found in it."""

    path: Path
    size: int
    pictures: int
    audit: AuditResult


@dataclass(frozen=True)
class _AsFolder(DataFolder):
    """A backup, looked at as if it were a studio's database."""

    @property
    def database_file(self) -> Path:
        return self.path


def back_up(
    folder: DataFolder, to: Path, now: int, known: Mapping[str, StoredPicture] | None = None
) -> BackedUp:
    """Write a studio's backup to a new file, checked and audited before it gets its name.

    `known` are pictures whose hash need not be computed again while they are unchanged. Raises
    CannotStart where it cannot be written, or where the database itself is damaged.
    """
    if version_of(folder.database_file) is None:
        raise folder.missing()
    if to.exists():
        raise CannotStart(f"{to} already exists and is not overwritten. Choose another name.")
    half = to.with_name(f".{to.name}.part")
    try:
        to.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        half.unlink(missing_ok=True)
        _copy(folder.database_file, half)
        reach("mid-backup")
        pictures = list(_pictures(folder.pictures, known or {}))
        _put_label(half, folder, now, pictures)
        found = audit(_AsFolder(half), now)
        if any(difference.field == "integrity" for difference in found.differences):
            raise CannotStart("The database is damaged, so no backup was made.")
        sync(half)
        # A name is given once, and never to a file that was not looked at.
        half.rename(to)
        sync(to.parent)
    except OSError as why:
        raise CannotStart(f"The backup {to} could not be written: {why.strerror}.") from why
    except sqlite3.Error as why:
        raise CannotStart(f"The backup {to} could not be made: {why}.") from why
    finally:
        with suppress(OSError):
            half.unlink(missing_ok=True)
    return BackedUp(to, to.stat().st_size, len(pictures), found)


def _copy(studio: Path, half: Path) -> None:
    # Made first, so that nobody else may read it; VACUUM INTO takes an empty file.
    os.close(os.open(half, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    with closing(sqlite3.connect(studio, isolation_level=None, timeout=10)) as raw:
        raw.execute("VACUUM INTO ?", (str(half),))


def _put_label(half: Path, folder: DataFolder, now: int, pictures: Sequence[StoredPicture]) -> None:
    with closing(sqlite3.connect(half, isolation_level=None)) as raw:
        raw.execute("PRAGMA synchronous = FULL")
        raw.executescript(LABEL)
        raw.execute("BEGIN")
        # Of the key that the links were made with, even where its file is lost by now.
        known = kept_fingerprint(raw) or key_fingerprint(folder.key)
        raw.execute("INSERT INTO backup VALUES (?, ?)", (now, known))
        raw.executemany(
            "INSERT INTO backup_pictures VALUES (?, ?, ?, ?)",
            [(one.path, one.size, one.changed_ns, one.sha256) for one in pictures],
        )
        raw.execute("COMMIT")


def _pictures(folder: Path, known: Mapping[str, StoredPicture]) -> Iterator[StoredPicture]:
    if not folder.is_dir():
        return
    for path in sorted(folder.rglob("*")):
        if path.relative_to(folder).parts[0] in _NOT_KEPT:
            continue
        if path.is_symlink() or not path.is_file():
            continue
        name, facts = str(path.relative_to(folder)), path.stat()
        before = known.get(name)
        if before and (before.size, before.changed_ns) == (facts.st_size, facts.st_mtime_ns):
            yield before
        else:
            yield StoredPicture(name, facts.st_size, facts.st_mtime_ns, hash_of(path))


def read_label(file: Path) -> Label:
    """What a backup says of itself. Raises CannotStart where the file is none."""
    if not file.is_file():
        raise CannotStart(f"There is no file {file}.")
    if version_of(file) is None:
        raise CannotStart(f"{file} is empty.")
    try:
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as raw:
            made_at, key = raw.execute("SELECT made_at, key_fingerprint FROM backup").fetchone()
            rows = raw.execute("SELECT path, size, changed_ns, sha256 FROM backup_pictures")
            return Label(made_at, key, [StoredPicture(*row) for row in rows])
    except (sqlite3.Error, TypeError) as why:
        raise CannotStart(f"{file} is not a backup made by this program.") from why
