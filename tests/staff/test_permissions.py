"""The table of who may do what against the routes that there are."""

import re
from collections.abc import Iterable, Iterator
from typing import Any

import pytest
from starlette.routing import Mount

from app.main import staff_site
from app.shared.people import Person, Role
from app.shared.places import DataFolder
from app.staff import gate, permissions
from tests.making import CAST
from tests.staff.browser import Browser, ClockedWorkshop

WHO: dict[str, Person | None] = {
    "a stranger": None,
    "bench": CAST.painter,
    "desk": CAST.desk,
    "owner": CAST.owner,
}
# Files that anybody may read: they lie beside the pages, not behind the gate.
FILES = {"static"}


def every_route(routes: Iterable[Any]) -> Iterator[Any]:
    """Every route of a site, also of the routers that were put into it."""
    for route in routes:
        inner = getattr(route, "original_router", None)
        if inner is not None:
            yield from every_route(inner.routes)
        else:
            yield route


@pytest.fixture(scope="module")
def routes(tmp_path_factory: pytest.TempPathFactory) -> list[Any]:
    workshop = ClockedWorkshop(DataFolder(tmp_path_factory.mktemp("routes")))
    found = list(every_route(staff_site(workshop).app.routes))
    workshop.close()
    return found


def test_every_route_is_in_the_table_and_every_row_is_a_route(routes: list[Any]) -> None:
    names = [route.name for route in routes if not isinstance(route, Mount)]
    assert {route.name for route in routes if isinstance(route, Mount)} == FILES
    assert set(names) - set(permissions.TABLE) == set(), "add these to permissions.TABLE"
    assert set(permissions.TABLE) - set(names) == set(), "these rows name no route"
    twice = {name for name in names if names.count(name) > 1}
    assert twice == set(), "a name stands for one route only"


def test_every_route_takes_one_method(routes: list[Any]) -> None:
    for route in routes:
        if not isinstance(route, Mount):
            assert route.methods in ({"GET"}, {"POST"}), route.name


@pytest.mark.parametrize("who", WHO)
def test_each_route_lets_in_whom_its_row_names(
    workshop: ClockedWorkshop, routes: list[Any], who: str
) -> None:
    person = WHO[who]
    browser = Browser(staff_site(workshop))
    wrong = []
    for route in routes:
        if isinstance(route, Mount):
            continue
        browser.as_(workshop, person)
        [method] = route.methods
        address = re.sub(r"\{[^}]+\}", "1", route.path)
        send = browser.get if method == "GET" else browser.post
        answer = send(address)
        said = answer_of(answer, method)
        declared = wanted(route.name, method, person.role if person else None)
        if said != declared:
            wrong.append((method, address, said, declared))
    assert wrong == []


def answer_of(answer: Any, method: str) -> str:
    """What the gate did: let through, sent to the door, sent on, or refused."""
    if answer.status_code == 401:
        return "refused: sign in"
    if answer.status_code == 403 and permissions.REFUSAL in answer.text:
        return "refused"
    # Signing out, an act, leads to the same door.
    door = re.fullmatch(r"/sign-in(\?next=.+)?", answer.headers.get("location", ""))
    if method == "GET" and answer.status_code == 303 and door:
        return "to the door"
    return "let through"


def wanted(name: str, method: str, role: Role | None) -> str:
    row = permissions.TABLE.get(name)
    if gate.may(role, name) or (role and row == permissions.NOBODY_SIGNED_IN):
        return "let through"
    if role is None:
        return "to the door" if method == "GET" else "refused: sign in"
    return "refused"
