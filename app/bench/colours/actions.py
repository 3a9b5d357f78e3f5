"""Writing down how an animal is painted. What is written anew takes the old line's place."""

from pathlib import Path

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.engine import RowMapping

from app.photos.release.actions import kept_anew
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.text import fold
from app.shared.web.fields import Fields, Line, Number, Short, Words
from app.studio.workshop import Workshop
from app.tables import animals, colour_zones

CHIPS = "chips"
CHIP_AT_MOST = 200_000
_SAID = ("zone", "paint", "mix", "thinner", "layers", "note")


class ZoneFields(Fields):
    """One zone as it is typed; `instead` is the line whose place it takes."""

    zone: Short
    paint: Line
    mix: Line
    thinner: Short
    layers: Short
    note: Words
    instead: Number


def keep(workshop: Workshop, animal_id: int, typed: ZoneFields, who: Person) -> None:
    """Write down how a zone is painted; the same again changes nothing.

    Raises BadFields where something is missing or the zone has a line already, Refused where the
    line was changed meanwhile, and NotFound.
    """
    missing = {"zone": typed.zone, "paint": typed.paint}
    if wrong := {name: "This has to be filled in." for name, said in missing.items() if not said}:
        raise BadFields(wrong)
    new = {name: getattr(typed, name) for name in _SAID}
    now = workshop.now()
    with workshop.database.writing() as db:
        if db.execute(select(animals.c.id).where(animals.c.id == animal_id)).first() is None:
            raise NotFound("There is no such animal.")
        lines = {row["zone_key"]: row for row in _now(db, animal_id)}
        same = lines.get(fold(typed.zone))
        if same is not None and all(same[name] == said for name, said in new.items()):
            return
        if same is not None and same["id"] != typed.instead:
            raise BadFields({"zone": "This zone is written down already. Change that line."})
        old = next((row for row in lines.values() if row["id"] == typed.instead), None)
        if old is None and typed.instead is not None:
            raise Refused("Somebody has changed this line meanwhile. Load the page to see it.")
        if old is not None:
            _gone(db, old, now)
        db.execute(
            insert(colour_zones).values(
                animal_id=animal_id, zone_key=fold(typed.zone), at=now, account_id=who.account_id,
                chip=old["chip"] if old is not None else None, **new,
            )
        )  # fmt: skip


def take_out(workshop: Workshop, zone_id: int) -> int:
    """A zone no longer holds; gives its animal. Raises NotFound."""
    with workshop.database.writing() as db:
        old = _line(db, zone_id)
        _gone(db, old, workshop.now())
    return int(old["animal_id"])


def put_chip(workshop: Workshop, zone_id: int, source: Path) -> None:
    """Keep a photo of a zone's test chip, made anew from its pixels.

    Raises BadFields where the file is no picture, and NotFound.
    """
    made = kept_anew(workshop.folder.pictures, source, CHIPS, CHIP_AT_MOST)
    with workshop.database.writing() as db:
        _line(db, zone_id)
        db.execute(update(colour_zones).where(colour_zones.c.id == zone_id).values(chip=made.file))


def _now(db: Connection, animal_id: int) -> list[RowMapping]:
    c = colour_zones.c
    query = select(colour_zones).where(c.animal_id == animal_id, c.gone_at.is_(None))
    return list(db.execute(query).mappings())


def _line(db: Connection, zone_id: int) -> RowMapping:
    c = colour_zones.c
    query = select(colour_zones).where(c.id == zone_id, c.gone_at.is_(None))
    row = db.execute(query).mappings().first()
    if row is None:
        raise NotFound("This line is not there any more. Load the page to see what is.")
    return row


def _gone(db: Connection, old: RowMapping, now: int) -> None:
    db.execute(update(colour_zones).where(colour_zones.c.id == old["id"]).values(gone_at=now))
