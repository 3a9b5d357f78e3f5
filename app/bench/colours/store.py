"""Reading how animals were painted."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from sqlalchemy import Connection, Select, func, select

from app.shared.errors import NotFound
from app.shared.people import first_name
from app.shared.text import fold
from app.tables import accounts, animals, colour_zones

MOST_SHOWN = 60
# What painters call the parts of a coat, and of what is no coat; common practice, no source.
ZONES = (
    "Base coat", "Shade", "Highlights", "Points", "Muzzle", "Eyes", "Hooves", "Nails", "Beak",
    "Plumage", "Shell", "Skin",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Zone:
    """How one zone was painted, by whom and when (UTC seconds), and whether it has a photo."""

    id: int
    animal_id: int
    zone: str
    paint: str
    mix: str
    thinner: str
    layers: str
    note: str
    chip: bool
    at: int
    by: str

    @property
    def how(self) -> str:
        """The paints and how they were mixed and laid on, in one line."""
        thinned = f"thinned with {self.thinner}" if self.thinner else ""
        layers = f"layers: {self.layers}" if self.layers else ""
        return "; ".join(part for part in (self.paint, self.mix, thinned, layers) if part)


@dataclass(frozen=True, slots=True)
class PaintedAnimal:
    """An animal of which colours were written down."""

    id: int
    name: str
    kind: str
    breed: str
    colours: str
    zones: Sequence[Zone] = field(default_factory=tuple)

    @property
    def text(self) -> str:
        """All that it can be found by, folded."""
        own = (self.name, self.kind, self.breed, self.colours)
        return fold(" ".join([*own, *(f"{z.zone} {z.how} {z.note}" for z in self.zones)]))


def _zones() -> Select[tuple[object, ...]]:
    c = colour_zones.c
    joined = colour_zones.outerjoin(accounts, accounts.c.id == c.account_id)
    return select(colour_zones, accounts.c.name.label("by")).select_from(joined).order_by(c.id)


def _read(db: Connection, query: Select[tuple[object, ...]]) -> list[Zone]:
    return [
        Zone(
            r.id, r.animal_id, r.zone, r.paint, r.mix, r.thinner, r.layers, r.note,
            r.chip is not None, r.at, first_name(r.by or ""),
        )
        for r in db.execute(query)
    ]  # fmt: skip


def zones_of(db: Connection, animal_id: int) -> list[Zone]:
    """How an animal is painted, in the order in which the zones were first written down."""
    c = colour_zones.c
    first = (
        select(c.zone_key, func.min(c.id).label("first"))
        .where(c.animal_id == animal_id)
        .group_by(c.zone_key)
        .subquery()
    )
    here = _zones().where(c.animal_id == animal_id, c.gone_at.is_(None))
    query = here.join(first, first.c.zone_key == c.zone_key)
    return _read(db, query.order_by(None).order_by(first.c.first))


def before(db: Connection, animal_id: int) -> list[Zone]:
    """What was written down before and no longer holds, newest first."""
    c = colour_zones.c
    query = _zones().where(c.animal_id == animal_id, c.gone_at.is_not(None))
    return _read(db, query.order_by(None).order_by(c.gone_at.desc(), c.id.desc()))


def animal(db: Connection, animal_id: int) -> PaintedAnimal:
    """An animal with its zones. Raises NotFound."""
    found = _animals(db, [animal_id])
    if not found:
        raise NotFound("There is no such animal.")
    return PaintedAnimal(*found[0], tuple(zones_of(db, animal_id)))


def _animals(db: Connection, ids: Sequence[int]) -> Sequence[tuple[int, str, str, str, str]]:
    c = animals.c
    query = select(c.id, c.name, c.kind, c.breed, c.colours).where(c.id.in_(ids))
    return [tuple(row) for row in db.execute(query)]


def find(db: Connection, typed: str) -> tuple[list[PaintedAnimal], int]:
    """The animals in whose colours, kind, breed or name every word typed stands, newest first.

    Gives those that are shown, and how many there are.
    """
    c = colour_zones.c
    query = _zones().where(c.gone_at.is_(None)).order_by(None).order_by(c.animal_id, c.id)
    by_animal = {id_: tuple(own) for id_, own in groupby(_read(db, query), lambda z: z.animal_id)}
    known = [PaintedAnimal(*row, by_animal[row[0]]) for row in _animals(db, list(by_animal))]
    wanted = fold(typed).split()
    found = sorted(
        (one for one in known if all(word in one.text for word in wanted)),
        key=lambda one: -max(z.at for z in one.zones),
    )
    return found[:MOST_SHOWN], len(found)


def as_typed(zones: Iterable[Zone], zone_id: int) -> dict[str, str]:
    """A zone as its form shows it, to be changed; empty where it is not there any more."""
    for z in zones:
        if z.id == zone_id:
            return {
                "zone": z.zone, "paint": z.paint, "mix": z.mix, "thinner": z.thinner,
                "layers": z.layers, "note": z.note, "instead": str(z.id),
            }  # fmt: skip
    return {}
