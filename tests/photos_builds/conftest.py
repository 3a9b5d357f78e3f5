"""The whole staff site, with machines to name."""

from collections.abc import Iterator

import pytest
from sqlalchemy import select

from app.flow import store
from app.flow.store import Ref
from app.photos import pictures
from app.photos.build_times import OnMachine
from app.photos.builds import MachineFields, add_machine
from app.photos.builds_store import runs
from app.shared.database import Database
from app.tables import machines
from tests.staff.browser import Shop
from tests.whole_site import desk, owner, painter, shop

__all__ = ["desk", "owner", "painter", "shop"]


@pytest.fixture(scope="session", autouse=True)
def no_child_left() -> Iterator[None]:
    """The child that opens pictures ends with the tests."""
    yield
    pictures.OPENER.end()


def name_machine(shop: Shop, name: str, places: int = 1) -> int:
    """A machine of this name; gives its number."""
    add_machine(shop, MachineFields(name=name, places=places))
    with shop.house.reading() as db:
        return int(db.execute(select(machines.c.id).where(machines.c.name == name)).scalar_one())


def tick(house: Database, ref: Ref) -> str:
    """What a form posts for a set."""
    with house.reading() as db:
        return f"{ref}:{store.load(db, ref).version}"


def on_machines(shop: Shop) -> dict[int, OnMachine]:
    """What runs now, by model."""
    with shop.house.reading() as db:
        return {on.run.model_id: on for on in runs(db, 0) if on.run.ended is None}
