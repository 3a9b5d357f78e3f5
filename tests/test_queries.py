"""How many queries a page asks, and that looking writes nothing."""

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Connection, event
from starlette.routing import Mount

from app.flow.steps import MAKING_STEPS, PHOTO_STEPS, Step
from app.main import staff_site
from app.orders.order.asking import QuestionFields, ask
from app.shared.places import DataFolder
from tests.everything import fill, pages
from tests.making import CAST, DAY, NOW, Wanted, fingerprint, make_order
from tests.staff.browser import Browser, ClockedWorkshop, opened
from tests.staff.test_permissions import every_route
from tests.whole_site import words

# Beside its own, every page asks who is there, and the banners ask what the house has to say.
AT_THE_DOOR = 3


@contextmanager
def counted(workshop: ClockedWorkshop) -> Iterator[list[str]]:
    """The statements that readers of the database are sent meanwhile."""
    asked: list[str] = []

    def count(_db: Connection, _cursor: object, statement: str, *_: object) -> None:
        if not statement.startswith("BEGIN"):
            asked.append(statement)

    event.listen(workshop.database._reader, "before_cursor_execute", count)
    yield asked
    event.remove(workshop.database._reader, "before_cursor_execute", count)


def a_studio(template: Path, folder: Path, open_orders: int) -> ClockedWorkshop:
    """Open orders of three animals each, in every step, with a question on each third."""
    place = DataFolder(folder)
    place.prepare()
    shutil.copyfile(template, place.database_file)
    workshop = ClockedWorkshop(place)
    for n in range(open_orders):
        wanted = [
            Wanted("Juniper", step=PHOTO_STEPS[n % 4], copies=2),
            Wanted("Otis", step=Step.READY, copy_step=Step.PACKING, copies=2),
            Wanted("Fern", step=Step.READY, copy_step=MAKING_STEPS[n % 5]),
        ]
        made = make_order(workshop.database, CAST.desk, NOW - n * DAY, wanted)
        if n % 3 == 0:
            ask(workshop, made.id, QuestionFields(asked=f"Which {n}?", waits="here"), CAST.desk, "")
    return workshop


@pytest.fixture(scope="module")
def few_and_many(
    template: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[list[ClockedWorkshop]]:
    shops = [a_studio(template, tmp_path_factory.mktemp(f"{n}"), n) for n in (10, 60)]
    yield shops
    for workshop in shops:
        workshop.close()


def queries(workshop: ClockedWorkshop, address: str) -> int:
    browser = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    assert browser.get(address).status_code == 200, words(browser.get(address))
    with counted(workshop) as asked:
        browser.get(address)
    return len(asked)


@pytest.mark.parametrize(
    ("address", "most"),
    [
        ("/orders/1001", 23), ("/orders/1001/edit", 20), ("/pieces/copy/3", 20),
        ("/pieces/model/1", 18), ("/parcels", 8), ("/parcels/new?copy=3", 6), ("/waiting", 8),
        ("/orders", 1), ("/orders?sort=needed&show=late", 1), ("/orders?closed=1", 1), ("/customers", 1), ("/customers/1", 6),
        ("/animals/1", 7), ("/orders/new", 0), ("/corrections/1", 15), ("/", 4),
    ],
)  # fmt: skip
def test_a_page_asks_as_much_of_sixty_open_orders_as_of_ten(
    few_and_many: list[ClockedWorkshop], address: str, most: int
) -> None:
    few, many = (queries(workshop, address) for workshop in few_and_many)
    assert few == many
    assert many <= most + AT_THE_DOOR


def test_a_page_of_sixty_orders_really_shows_them(few_and_many: list[ClockedWorkshop]) -> None:
    _, many = few_and_many
    browser = Browser(staff_site(many)).as_(many, CAST.owner)
    assert browser.get("/parcels").text.count('name="copy"') >= 120
    assert browser.get("/waiting").text.count("Which ") == 20


@pytest.fixture
def workshop(studio_file: Path) -> Iterator[ClockedWorkshop]:
    with opened(studio_file, ClockedWorkshop) as workshop:
        fill(workshop)
        yield workshop


def test_looking_at_every_page_that_there_is_leaves_the_house_as_it_was(
    workshop: ClockedWorkshop,
) -> None:
    browser = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    before = fingerprint(workshop.folder.database_file)
    seen = {
        re.sub(r"\d+", "1", address.partition("?")[0]) for address, _ in pages(workshop, browser)
    }
    assert {"/orders/1", "/pieces/copy/1", "/parcels/1", "/corrections/1", "/waiting"} <= seen
    assert fingerprint(workshop.folder.database_file) == before


@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_asking_for_any_route_writes_nothing(workshop: ClockedWorkshop, method: str) -> None:
    browser = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    before = fingerprint(workshop.folder.database_file)
    for route in every_route(staff_site(workshop).app.routes):
        if isinstance(route, Mount):
            continue
        browser.send(method, re.sub(r"\{[^}]+\}", "1", route.path))
    assert fingerprint(workshop.folder.database_file) == before
