"""What customers lent: what it is called, what of it is in the house, and how it leaves."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, select, update
from sqlalchemy.engine import RowMapping

from app.tables import animals, belongings, order_animals, parcels

# What it is, as people at the workshop say it; of anything else its own words say it.
KINDS: Mapping[str, str] = {
    "collar": "collar",
    "hair": "hair",
    "ashes": "ashes",
    "prints": "photo prints",
    "other": "something else",
}
ASHES = "ashes"
# Carriers have rules of their own for ashes: a service, a label, a sealed container.
ASHES_BY_POST = (
    "Ashes don’t go by ordinary post. Agree with the customer how they travel back: from hand to "
    "hand, or by a carrier’s own service for them, with its container and its label."
)
IN_THE_HOUSE = belongings.c.returned_at.is_(None) & belongings.c.gone_at.is_(None)
NAMED = (
    select(belongings, animals.c.name.label("animal"), order_animals.c.letter)
    .outerjoin(order_animals, order_animals.c.id == belongings.c.order_animal_id)
    .outerjoin(animals, animals.c.id == order_animals.c.animal_id)
)


def named(row: Mapping[Any, Any]) -> str:
    """A belonging in words: Juniper’s collar, red leather; a blanket."""
    if row["kind"] == "other":
        return f"{row['animal']}: {row['what']}" if row["animal"] else str(row["what"])
    whose = f"{row['animal']}’s " if row["animal"] else ""
    return f"{whose}{KINDS[row['kind']]}" + (f", {row['what']}" if row["what"] else "")


def here(db: Connection, order_ids: Collection[int]) -> dict[int, list[RowMapping]]:
    """What of some orders is in the house, by order."""
    its = NAMED.where(belongings.c.order_id.in_(order_ids), IN_THE_HOUSE)
    found: dict[int, list[RowMapping]] = {}
    for row in db.execute(its.order_by(belongings.c.id)).mappings():
        found.setdefault(row["order_id"], []).append(row)
    return found


def to_go_in(row: Mapping[Any, Any], parcel_id: int) -> bool:
    """Whether it goes back by parcel, and lies in no other one than this."""
    return row["way"] == "parcel" and row["parcel_id"] in (None, parcel_id)


def left_with(db: Connection, parcel_id: int, ids: Sequence[int], at: int, by: int | None) -> None:
    """Some belongings went back in a parcel that left at a moment (UTC seconds)."""
    if ids:
        db.execute(
            update(belongings)
            .where(belongings.c.id.in_(ids), IN_THE_HOUSE)
            .values(returned_at=at, returned_by_id=by, parcel_id=parcel_id, way="parcel")
        )


def put_in(
    db: Connection, parcel_id: int, ids: Collection[int], order_ids: Collection[int]
) -> None:
    """What of some orders lies in a parcel that has not left: these, and nothing else of theirs."""
    c = belongings.c
    own = update(belongings).where(IN_THE_HOUSE)
    db.execute(own.where(c.parcel_id == parcel_id).values(parcel_id=None))
    wanted = c.id.in_(ids) & c.order_id.in_(order_ids) & (c.way == "parcel")
    db.execute(own.where(wanted, c.parcel_id.is_(None)).values(parcel_id=parcel_id))


def lying_in(db: Connection, parcel_id: int) -> list[int]:
    """What lies in a parcel that has not left."""
    query = select(belongings.c.id).where(belongings.c.parcel_id == parcel_id, IN_THE_HOUSE)
    return list(db.execute(query).scalars())


def did_not_leave(db: Connection, parcel_id: int, *, packed: bool = False) -> None:
    """A parcel has not left after all: what lay in it is in the house, still `packed` or not."""
    inside = belongings.c.parcel_id == parcel_id
    here_again = {"returned_at": None, "returned_by_id": None}
    if not packed:
        here_again["parcel_id"] = None
    db.execute(update(belongings).where(inside).values(here_again))


def came_back(db: Connection, parcel_id: int) -> None:
    """A parcel came back undelivered, and with it what lay in it."""
    inside = belongings.c.parcel_id == parcel_id
    gone = {"returned_at": None, "parcel_id": None, "back_from_id": parcel_id}
    db.execute(update(belongings).where(inside).values(gone))


def did_not_come_back(db: Connection, parcel_id: int) -> None:
    """A parcel did not come back after all: it is on its way, with what lay in it."""
    sent = select(parcels.c.sent_at).where(parcels.c.id == parcel_id).scalar_subquery()
    again = {"returned_at": sent, "parcel_id": parcel_id, "back_from_id": None}
    inside = (belongings.c.back_from_id == parcel_id) & IN_THE_HOUSE
    db.execute(update(belongings).where(inside).values(again))
