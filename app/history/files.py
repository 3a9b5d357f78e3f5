"""Sheets that were sent and are being looked at: imports/<sha256>, beside each its name.

They hold customers' names: each is gone once it is brought in, and after a day in any case
(`let_go`, which the nightly worker calls).
"""

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from app.history.table import MOST_BYTES, NotASheet, file_name, sheet_names
from app.shared.errors import BadFields, NotFound
from app.shared.places import DataFolder

KEPT_SECONDS: Final = 24 * 3600
_NAME: Final = ".name"


@dataclass(frozen=True, slots=True)
class SentSheet:
    """A file that was sent: its key in addresses, its name, and what is in it."""

    key: str
    name: str
    data: bytes


def keep(folder: DataFolder, data: bytes, name: str, field: str = "file") -> str:
    """Keep a file that was sent, and give its key.

    Raises BadFields, for the `field` that it came by, where it is too large, or no sheet.
    """
    if len(data) > MOST_BYTES:
        raise BadFields({field: f"{MOST_BYTES // 2**20} MB is the most. Save it by year."})
    try:
        sheet_names(data)
    except NotASheet as why:
        raise BadFields({field: str(why)}) from why
    place = folder.sheets
    place.mkdir(mode=0o700, exist_ok=True)
    key = hashlib.sha256(data).hexdigest()
    _write(place / key, data)
    _write(place / f"{key}{_NAME}", file_name(name).encode("utf-8", "replace"))
    return key


def let_go(folder: DataFolder, now: float) -> None:
    """Remove what has lain here for a day: sheets, and what was to be sent and never went."""
    if folder.sheets.is_dir():
        for old in folder.sheets.iterdir():
            if old.stat().st_mtime < now - KEPT_SECONDS:
                old.unlink(missing_ok=True)


def waiting(folder: DataFolder) -> list[tuple[str, str]]:
    """Keys and names of the files that were sent and not brought in yet."""
    if not folder.sheets.is_dir():
        return []
    names = sorted(folder.sheets.glob(f"*{_NAME}"))
    return [(path.name.removesuffix(_NAME), path.read_text("utf-8")) for path in names]


def find(folder: DataFolder, key: str) -> SentSheet:
    """A file that was sent. Raises NotFound where it is gone."""
    path = folder.sheets / key
    if len(key) != 64 or not key.isalnum() or not path.is_file():
        raise NotFound("This file is no longer here. Choose it again.")
    name = path.with_name(f"{key}{_NAME}")
    return SentSheet(key, name.read_text("utf-8") if name.exists() else "", path.read_bytes())


def forget(folder: DataFolder, key: str) -> None:
    """Remove a file that is not needed any more."""
    for name in (key, f"{key}{_NAME}"):
        (folder.sheets / name).unlink(missing_ok=True)


def _write(path: Path, data: bytes) -> None:
    handle = os.open(path, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
