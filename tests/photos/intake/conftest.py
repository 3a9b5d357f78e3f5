"""The photo desk over the whole staff site, with an order that waits for pictures."""

from collections.abc import Iterator

import pytest

from app.orders.order.photos_told import ToldFields, photos_told
from app.photos.pictures import files
from tests.making import CAST, NOW, MadeOrder, Wanted, make_order
from tests.photos.intake.shots import Desk
from tests.staff.browser import ClockedWorkshop
from tests.whole_site import desk, owner, painter, workshop

__all__ = ["desk", "owner", "painter", "workshop"]


@pytest.fixture(scope="session", autouse=True)
def _no_child_left() -> Iterator[None]:
    yield
    files.OPENER.end()


@pytest.fixture
def order(workshop: ClockedWorkshop) -> MadeOrder:
    """An order of one animal whose photos were told of: a link, twelve files."""
    return told(workshop, [Wanted("Juniper")])


@pytest.fixture
def two(workshop: ClockedWorkshop) -> MadeOrder:
    """An order of two animals whose photos were told of together."""
    return told(workshop, [Wanted("Juniper"), Wanted("Otis", kind="goat")])


def told(
    workshop: ClockedWorkshop, wanted: list[Wanted], lapses_on: str | None = "2026-03-10"
) -> MadeOrder:
    made = make_order(workshop.database, CAST.desk, NOW - 3_600, wanted)
    fields = {"way": "link", "link": "https://drop.example/a1", "files_said": 12}
    photos_told(
        workshop,
        made.id,
        ToldFields.model_validate({**fields, "lapses_on": lapses_on}),
        CAST.desk,
        "",
    )
    return made


@pytest.fixture
def photo_desk(workshop: ClockedWorkshop, desk, order: MadeOrder) -> Desk:
    """The desk in front of the order's delivery."""
    return Desk(workshop, desk, order)
