"""Comparing the pictures on the disk with their rows, for the audit. Nothing is written."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, text

from app.shared.places import hash_of

Reading = Callable[[], AbstractContextManager[Connection]]
_ROWS = text("SELECT min(id) AS id, path, size, sha256 FROM pictures GROUP BY path ORDER BY 1")


@dataclass(frozen=True, slots=True)
class PictureDifference:
    """A picture that is lost or changed. `field` is file, size or hash."""

    picture_id: int
    field: str
    on_disk: str
    in_row: str


def check_pictures(reading: Reading, folder: Path) -> tuple[int, list[PictureDifference]]:
    """Read every original that has a row; gives how many, and those lost or changed.

    `folder` is the data folder's pictures/.
    """
    with reading() as db:
        rows = db.execute(_ROWS).all()
    found = [difference for row in rows if (difference := _compare(folder, row)) is not None]
    return len(rows), found


def _compare(folder: Path, row: Row[Any]) -> PictureDifference | None:
    path = folder / row.path
    try:
        size = path.stat().st_size
        if size != row.size:
            return PictureDifference(row.id, "size", f"{size} bytes", f"{row.size}, {row.path}")
        if (digest := hash_of(path)) != row.sha256:
            return PictureDifference(row.id, "hash", digest, row.sha256)
    except OSError as why:
        said = why.strerror or "cannot be read"
        return PictureDifference(row.id, "file", said.lower(), row.path)
    return None
