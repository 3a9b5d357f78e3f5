"""The whole staff site, with machines to name."""

from collections.abc import Iterator

import pytest
from sqlalchemy import select

from app.flow import store
from app.flow.store import Ref
from app.moving.build_times import OnMachine
from app.moving.machines import runs
from app.photos.builds.actions import MachineFields, add_machine
from app.photos.pictures import files as pictures
from app.shared.database import Database
from app.tables import machines
from tests.staff.browser import ClockedWorkshop
from tests.whole_site import desk, owner, painter, workshop

__all__ = ["desk", "owner", "painter", "workshop"]


@pytest.fixture(scope="session", autouse=True)
def no_child_left() -> Iterator[None]:
    """The child that opens pictures ends with the tests."""
    yield
    pictures.OPENER.end()


def name_machine(workshop: ClockedWorkshop, name: str, places: int = 1) -> int:
    """A machine of this name; gives its number."""
    add_machine(workshop, MachineFields(name=name, places=places))
    with workshop.database.reading() as db:
        return int(db.execute(select(machines.c.id).where(machines.c.name == name)).scalar_one())


def tick(database: Database, ref: Ref) -> str:
    """What a form posts for a set."""
    with database.reading() as db:
        return f"{ref}:{store.load(db, ref).version}"


def on_machines(workshop: ClockedWorkshop) -> dict[int, OnMachine]:
    """What runs now, by model."""
    with workshop.database.reading() as db:
        return {on.run.model_id: on for on in runs(db, 0) if on.run.ended is None}
