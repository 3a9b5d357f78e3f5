"""The way back after an update: the packed copy that a migration put aside, in place again.

It is left of the version that it is of, so that the program that wrote it can go on with it; this
one would bring it up to date again when it starts. What was done since the update is not in it.
"""

import gzip
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

from app.letters.by_hand import OFF
from app.shared.errors import CannotStart
from app.shared.places import DataFolder, sync
from app.tables.migrating import HEAD, version_of
from app.upkeep.restore import put_aside, put_in_place

# Of tables that are the same in every version. As after any restore: no letter goes out twice,
# and nobody who was signed out since is signed in again.
_SETTLE = (
    "UPDATE sessions SET ended_at = :now WHERE ended_at IS NULL",
    "UPDATE sign_in_links SET uses = 0 WHERE uses <> 0",
    "INSERT OR REPLACE INTO settings (name, value, changed_at) VALUES (:off, :now, :now)",
)


def is_packed(file: Path) -> bool:
    """Whether a file is a copy that was put aside before an update, by its name."""
    return file.name.endswith(".db.gz")


def put_back(folder: DataFolder, file: Path, now: int) -> list[str]:
    """Put a packed copy in the place of the studio's database; gives what to say of it.

    What was there is put aside. Raises CannotStart beside a running server, for a file that is no
    such copy, and where it cannot be written; nothing has changed then.
    """
    if not file.is_file():
        raise CannotStart(f"There is no file {file}.")
    if not folder.key_file.exists():
        raise CannotStart(f"{folder.path} has no key, so it is not the workshop's own folder.")
    folder.prepare()
    new = folder.path / "studio.db.restoring"
    with closing(folder.hold()):
        try:
            version = _unpack(file, new, now)
            aside = put_aside(folder, now)
            put_in_place(folder, new)
        except OSError as why:
            raise CannotStart(f"{file} could not be put back: {why.strerror or why}.") from why
        finally:
            for left in folder.path.glob("studio.db.restoring*"):
                left.unlink()
    said = [f"Put back: the workshop as it was before the update, data version {version}."]
    if aside is not None:
        said.append(f"What was there before is in {aside}. Nothing done since is in the workshop.")
    said.append("Everybody must sign in again. No emails go out until an owner allows it.")
    if version != HEAD:
        said.append(
            f"This program would bring it to version {HEAD} again. To stay with the earlier one, "
            "install it now and start that."
        )
    return said


def _unpack(file: Path, new: Path, now: int) -> str:
    """The copy beside the studio's database, looked at and settled; gives its version."""
    new.unlink(missing_ok=True)
    handle = os.open(new, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    try:
        with os.fdopen(handle, "wb") as out, gzip.open(file, "rb") as packed:
            shutil.copyfileobj(packed, out)
    except (gzip.BadGzipFile, EOFError) as why:
        raise CannotStart(f"{file} is damaged: {why}. Use an older one.") from why
    version = version_of(new)
    if version is None:
        raise CannotStart(f"{file} is empty.")
    with closing(sqlite3.connect(new, isolation_level=None)) as raw:
        wrong = raw.execute("PRAGMA integrity_check").fetchone()[0]
        if wrong != "ok":
            raise CannotStart(f"{file} is damaged: {wrong}. Use an older one.")
        raw.execute("BEGIN")
        for sentence in _SETTLE:
            raw.execute(sentence, {"now": now, "off": OFF})
        raw.execute("COMMIT")
    sync(new)
    return version
