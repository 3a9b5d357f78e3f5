"""One picture of each animal, so that nobody works by a code alone.

The first of the views worked from; where none was chosen, the picture released to the customer's
page; else the first that came of the animal.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from sqlalchemy import Connection, text

from app.photos.assessment import VIEWS
from app.photos.pictures import files
from app.photos.release.actions import size_of
from app.studio.workshop import Workshop

_SIDES = " ".join(f"WHEN '{key}' THEN {n}" for n, key in enumerate(VIEWS))
# Of a later version its own pictures go first, then those of the versions that it follows.
_FOUND = text(
    "WITH RECURSIVE line(of, id, back) AS"  # noqa: S608
    " (SELECT value, value, 0 FROM json_each(:models) UNION ALL"
    "  SELECT line.of, m.follows_id, line.back + 1 FROM line JOIN models m ON m.id = line.id"
    "  WHERE m.follows_id IS NOT NULL)"
    " SELECT line.of, 0 AS kind, line.back,"
    f" CASE v.view {_SIDES} ELSE {len(VIEWS)} END AS place,"
    " v.picture_id AS id, p.sha256, p.path, v.crop_left, v.crop_top, v.crop_right, v.crop_bottom,"
    " 0 AS width, 0 AS height"
    " FROM line JOIN reference_views v ON v.model_id = line.id"
    " JOIN pictures p ON p.id = v.picture_id"
    " UNION ALL SELECT line.of, 1, line.back, -r.id, r.id, '', '', 0, 0, 1000, 1000, r.width,"
    " r.height FROM line JOIN released_pictures r ON r.model_id = line.id"
    " WHERE r.taken_back_at IS NULL"
    " UNION ALL SELECT line.of, 2, line.back, p.id, p.id, p.sha256, p.path, 0, 0, 1000, 1000, 0, 0"
    " FROM line JOIN pictures p ON p.id ="
    " (SELECT min(pm.picture_id) FROM picture_models pm WHERE pm.model_id = line.id)"
    " ORDER BY 1, 2, 3, 4"
)


@dataclass(frozen=True, slots=True)
class Face:
    """A picture and the part of it to show: its address, its size and the part in its own px."""

    address: str
    width: int
    height: int
    box: tuple[int, int, int, int]


def faces(workshop: Workshop, db: Connection, models: Iterable[int]) -> Mapping[int, Face]:
    """By model, its animal's picture; what has none, or whose file is lost, is left out."""
    found: dict[int, Face] = {}
    for r in db.execute(_FOUND, {"models": json.dumps(sorted(set(models)))}):
        if r.of in found:
            continue
        if r.kind == 1:
            size, address = (r.width, r.height), f"/released/{r.id}"
        else:
            size = _size(workshop.folder.pictures, r.sha256, r.path)
            address = f"/photos/picture/{r.id}/thumb"
        if size == (0, 0):
            continue
        crop = (r.crop_left, r.crop_top, r.crop_right, r.crop_bottom)
        left, top, right, bottom = (size[n % 2] * part // 1000 for n, part in enumerate(crop))
        box = (left, top, max(1, right - left), max(1, bottom - top))
        found[r.of] = Face(address, *size, box)
    return found


@lru_cache(maxsize=4096)
def _size(pictures: Path, sha256: str, path: str) -> tuple[int, int]:
    """How large the small picture is that pages show, in px; (0, 0) where there is none."""
    jpeg = files.shown(pictures, sha256, path, files.THUMB)
    return size_of(jpeg) if jpeg is not None else (0, 0)
