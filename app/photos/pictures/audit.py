"""Comparing the pictures on the disk with their rows, for the audit. Nothing is written."""

from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from app.shared.differences import Difference, Reading
from app.shared.places import hash_of
from app.tables import pictures


def check_pictures(reading: Reading, folder: Path) -> tuple[int, list[Difference]]:
    """Read every original that has a row; gives how many, and those lost or changed.

    `folder` is the data folder's pictures/.
    """
    p = pictures.c
    query = select(func.min(p.id).label("id"), p.path, p.size, p.sha256).group_by(p.path)
    with reading() as db:
        rows = db.execute(query.order_by("id")).all()
    found = [difference for row in rows if (difference := _compare(folder, row)) is not None]
    return len(rows), found


def _compare(folder: Path, row: Any) -> Difference | None:
    path = folder / row.path
    try:
        size = path.stat().st_size
        if size != row.size:
            inside = f"{row.size}, {row.path}"
            return Difference("picture", row.id, "size", f"{size} bytes", inside)
        if (digest := hash_of(path)) != row.sha256:
            return Difference("picture", row.id, "hash", digest, row.sha256)
    except OSError as why:
        said = why.strerror or "cannot be read"
        return Difference("picture", row.id, "file", said.lower(), row.path)
    return None
