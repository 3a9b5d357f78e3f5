"""The thresholds that a studio has moved: kept as one setting, measured defaults for the rest."""

import json
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace

from sqlalchemy import Connection, select

from app.flow.changes import note
from app.photos.check.thresholds import Thresholds
from app.shared.errors import BadFields
from app.shared.people import Person
from app.studio.store import put
from app.studio.workshop import Workshop
from app.tables import settings

NAME = "photo_thresholds"


@dataclass(frozen=True, slots=True)
class Movable:
    """A threshold that a person may move: what it is, and between what it makes sense."""

    name: str
    words: str
    least: float
    most: float


MOVABLE = (
    Movable("edge_blur", "Blurred from this edge width up, px at 1024 px", 0.5, 5.0),
    Movable("reblur", "and from this re-blur measure up, 0 to 1", 0.2, 0.9),
    Movable(
        "relative_blur",
        "Blurred next to the others from this many times their usual width",
        1.2,
        4.0,
    ),
    Movable("motion", "Motion blur from this ratio of blur along to across", 1.2, 6.0),
    Movable("dark_mean", "Dark below this mean brightness, 0 to 255", 5.0, 120.0),
    Movable("noise", "Grainy from this noise up, levels of 255", 2.0, 40.0),
    Movable("clipped", "Burnt out or black from this share up, 0 to 1", 0.02, 0.9),
    Movable("small_side", "Small below this long side, px", 200.0, 6000.0),
    Movable("poor_jpeg", "Looks like a copy below this JPEG quality, 1 to 100", 1.0, 95.0),
    Movable("least_pictures", "Fewest different photos that may build", 4.0, 60.0),
    Movable("few_pictures", "Called few below this number", 4.0, 120.0),
    Movable("holds_too_little", "Too little overlap below this share, 0 to 1", 0.3, 0.95),
    Movable("holds_well", "Enough overlap from this share up, 0 to 1", 0.5, 1.0),
    Movable("gap", "Views missing from this gap up, degrees", 20.0, 180.0),
    Movable("wide_step", "Wide steps from, degrees", 10.0, 60.0),
)


def load(db: Connection) -> Thresholds:
    """The thresholds as they stand. `version` tells sets of them apart."""
    return with_moved(_moved(db))


def with_moved(moved: Mapping[str, float]) -> Thresholds:
    """The measured defaults with some moved; whole numbers stay whole."""
    base = Thresholds()
    if not moved:
        return base
    kinds = {name: type(value) for name, value in asdict(base).items()}
    values = {name: kinds[name](value) for name, value in moved.items()}
    mark = zlib.crc32(json.dumps(values, sort_keys=True).encode())
    return replace(base, version=f"{base.version}, moved {mark:08x}", **values)


def _moved(db: Connection) -> dict[str, float]:
    kept = db.execute(select(settings.c.value).where(settings.c.name == NAME)).scalar()
    known = {one.name for one in MOVABLE}
    return {k: v for k, v in json.loads(kept).items() if k in known} if kept else {}


def read(typed: Mapping[str, str]) -> dict[str, float]:
    """What a form moves: fields that are empty or at the default move nothing.

    Raises BadFields with a sentence at every field that makes no sense.
    """
    base, moved, wrong = asdict(Thresholds()), {}, {}
    for one in MOVABLE:
        value = typed.get(one.name, "").strip().replace(",", ".")
        try:
            number = float(value) if value else float(base[one.name])
        except ValueError:
            wrong[one.name] = "A number, please."
            continue
        if not one.least <= number <= one.most:
            wrong[one.name] = f"Between {one.least:g} and {one.most:g}, please."
        elif isinstance(base[one.name], int) and number != int(number):
            wrong[one.name] = "A whole number, please."
        elif number != base[one.name]:
            moved[one.name] = number
    low, high = (moved.get(k, base[k]) for k in ("holds_too_little", "holds_well"))
    if not wrong and low >= high:
        wrong["holds_well"] = "This must be above the share for too little overlap."
    if wrong:
        raise BadFields(wrong)
    return moved


def save(workshop: Workshop, moved: Mapping[str, float], who: Person) -> None:
    """Keep what a person has decided, and note who. Checks from now on go by it."""
    now = workshop.now()
    with workshop.database.writing() as db:
        before, value = json.dumps(_moved(db)), json.dumps(dict(moved))
        if before == value:
            return
        put(db, NAME, value, who.account_id, now)
        note(db, who.account_id, now, "settings", NAME, before, value)
