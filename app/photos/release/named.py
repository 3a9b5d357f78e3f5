"""The customer's own photos that a request for more views names, by the names of their files."""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, bindparam, text

from app.photos import store
from app.photos.pictures import files

AT_MOST = 4
"""So many photos help to find a place; more would be an album."""


@dataclass(frozen=True, slots=True)
class NamedPhoto:
    """A photo that is named: of which animal of its order (its letter), the name that the check
    knows it by, and where the small JPEG of it lies under pictures/.

    `azimuth` is the side from which it was taken and `around` are those of its whole set, in
    degrees counter-clockwise, where the newest check could read them.
    """

    order_id: int
    letter: str
    name: str
    path: str
    azimuth: int | None = None
    around: tuple[int, ...] = ()


# What is told of, or on hold, is not asked for; of an animal that has died, and of a gift, no
# picture may come upon anybody unawares.
_ASKED = text(
    "SELECT oa.order_id, oa.letter, m.id AS model_id, v.wish, v.asked_at FROM order_animals oa"
    " JOIN orders o ON o.id = oa.order_id JOIN animals a ON a.id = oa.animal_id"
    " JOIN models m ON m.id = oa.model_id JOIN views_asked v ON v.model_id = m.id"
    " WHERE oa.order_id IN :ids AND m.open = 1 AND m.step = 'photos_wanted'"
    " AND m.told_at IS NULL AND m.hold_whose = '' AND o.gift = 0 AND a.life <> 'remembered'"
    " AND v.attempt = (SELECT max(w.attempt) FROM views_asked w WHERE w.model_id = m.id)"
    " ORDER BY oa.order_id, oa.letter, v.number"
).bindparams(bindparam("ids", expanding=True))


def named(db: Connection, order_ids: Sequence[int]) -> Mapping[int, Sequence[NamedPhoto]]:
    """The photos that open requests of some orders name, in the order of naming, few at most."""
    wishes: dict[tuple[int, str, int], list[str]] = {}
    asked_at: dict[int, int] = {}
    for row in db.execute(_ASKED, {"ids": list(order_ids)}):
        wishes.setdefault((row.order_id, row.letter, row.model_id), []).append(row.wish)
        asked_at[row.model_id] = row.asked_at
    found: dict[int, list[NamedPhoto]] = {}
    for (order_id, letter, model_id), said in wishes.items():
        if "." not in "".join(said):
            continue
        # What came later was in no set that anybody had looked at.
        rows = [r for r in store.of_model(db, model_id) if r["came_at"] <= asked_at[model_id]]
        own = dict(zip(store.unique_names(rows), rows, strict=True))
        stood = _stood(db, model_id)
        around = tuple(sorted(stood.values()))
        found.setdefault(order_id, []).extend(
            NamedPhoto(
                order_id,
                letter,
                name,
                files.shown_place(own[name]["sha256"], files.THUMB),
                stood.get(name),
                around,
            )
            for name in mentioned(said, own)
            # The photos may be an earlier order's, and so somebody else's.
            if own[name]["order_id"] == order_id
        )
    return {order_id: some[:AT_MOST] for order_id, some in found.items()}


def _stood(db: Connection, model_id: int) -> dict[str, int]:
    """From which side each picture of the newest check was taken, where it could tell."""
    row = store.last_check(db, model_id)
    told = json.loads(row["result"]).get("pictures", []) if row is not None else []
    return {one["name"]: one["azimuth"] for one in told if "azimuth" in one}


def mentioned(wishes: Sequence[str], names: Mapping[str, object]) -> list[str]:
    """Those of some files' names that stand in the wishes as whole words, each once."""
    said = "\n".join(wishes)
    places: dict[str, int] = {}
    for name in names:
        whole = re.search(rf"(?<![\w.-]){re.escape(name)}(?![\w-]| \(\d)", said)
        if name and whole is not None:
            places[name] = whole.start()
    return sorted(places, key=places.__getitem__)
