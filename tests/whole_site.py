"""The whole staff site over a house of a test's own, and the forms that its pages hold.

shop, desk = …            # fixtures: a Shop, and a Browser in which the desk is signed in
page = desk.get("/orders/1001")
form = the_form(page.text, "/orders/1001/hold")     # fields as a browser would send them
desk.post(form.action, {**form.fields, "reason": "the oak is late"})
"""

import html
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from pathlib import Path

import httpx
import pytest
from sqlalchemy import update

from app.flow.steps import Of
from app.flow.store import Ref
from app.main import staff_site
from app.studio.rules import StudioSettings
from app.tables import orders
from tests.making import CAST, MadeOrder, rows
from tests.staff.browser import Browser, ClockedWorkshop, opened


@pytest.fixture
def workshop(studio_file: Path) -> Iterator[ClockedWorkshop]:
    """A studio over a migrated database of the test's own; its clock stands at NOW."""
    with opened(studio_file, ClockedWorkshop) as workshop:
        yield workshop


@pytest.fixture
def desk(workshop: ClockedWorkshop) -> Browser:
    """A browser on the whole staff site, the desk signed in."""
    return Browser(staff_site(workshop)).as_(workshop, CAST.desk)


@pytest.fixture
def owner(workshop: ClockedWorkshop) -> Browser:
    """The same, the owner signed in."""
    return Browser(staff_site(workshop)).as_(workshop, CAST.owner)


@pytest.fixture
def painter(workshop: ClockedWorkshop) -> Browser:
    """The same, the painter signed in."""
    return Browser(staff_site(workshop)).as_(workshop, CAST.painter)


@dataclass
class Form:
    """A form of a page: where it goes and what a browser would send of it as it stands."""

    action: str
    method: str
    fields: dict[str, str] = field(default_factory=dict)
    ticks: dict[str, list[str]] = field(default_factory=dict)
    ticked: dict[str, list[str]] = field(default_factory=dict)
    buttons: list[tuple[str, str]] = field(default_factory=list)
    kinds: dict[str, str] = field(default_factory=dict)
    choices: dict[str, list[str]] = field(default_factory=dict)


class _Forms(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[Form] = []
        self.form: Form | None = None
        self.area = self.choice = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        known = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.form = Form(known.get("action", ""), known.get("method", "get"))
            self.found.append(self.form)
        if self.form is None:
            return
        name = known.get("name", "")
        if tag == "input" and name:
            self._input(name, known)
        elif tag == "textarea":
            self.area = name
            self.form.fields[name] = ""
        elif tag == "select":
            self.choice = name
        elif tag == "option" and self.choice:
            first = self.choice not in self.form.fields
            self.form.choices.setdefault(self.choice, []).append(known.get("value", ""))
            if first or "selected" in known:
                self.form.fields[self.choice] = known.get("value", "")
        elif tag == "button":
            self.form.buttons.append((name, known.get("value", "")))
            if "formaction" in known:
                # What the button sends of the form around it, where the button says.
                own = replace(self.form, action=known["formaction"])
                own.fields = {
                    **self.form.fields,
                    **({name: known.get("value", "")} if name else {}),
                }
                self.found.append(own)

    def _input(self, name: str, known: dict[str, str]) -> None:
        assert self.form is not None
        value = known.get("value", "")
        self.form.kinds[name] = known.get("type", "text")
        if known.get("type") in ("checkbox", "radio"):
            self.form.ticks.setdefault(name, []).append(value)
            if "checked" in known:
                self.form.ticked.setdefault(name, []).append(value)
        else:
            self.form.fields[name] = value

    def handle_data(self, data: str) -> None:
        if self.form is not None and self.area:
            self.form.fields[self.area] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self.form = None
        elif tag == "textarea":
            self.area = ""
        elif tag == "select":
            self.choice = ""


def forms(text: str) -> list[Form]:
    """Every form of a page."""
    parser = _Forms()
    parser.feed(text)
    return parser.found


def the_form(text: str, action: str, holds: str = "", move: str = "") -> Form:
    """The form of a page that goes to an address, has a field, and asks for a move."""
    for form in forms(text):
        right_move = not move or form.fields.get("move") == move
        if form.action == action and right_move and (not holds or holds in form.fields):
            return form
    raise AssertionError(f"no form to {action} that holds {holds or 'anything'} {move}")


# What is ticked of a piece before it passes, with the list that the program came with.
LOOKED_AT = StudioSettings().choices("inspection_list")


def words(page: httpx.Response) -> str:
    """What a page says, in one line, without its tags."""
    body = re.sub(r"<(script|style|head).*?</\1>", " ", page.text, flags=re.S)
    body = re.sub(r"<(input|textarea)[^>]*>|</(td|th|li|p|h\d|div|option|label)>", " ", body)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", "", body)))


def at_field(page: httpx.Response, name: str) -> str:
    """The sentence that stands at a field of a page, whichever form it is of, or nothing."""
    found = re.search(
        rf'<p class="say" id="e-(?:\w+-)?{re.escape(name)}">(.*?)</p>', page.text, re.S
    )
    return html.unescape(found[1]) if found else ""


def typed_in(page: httpx.Response, name: str) -> str | None:
    """What a field of a page holds."""
    for form in forms(page.text):
        if form.fields.get(name):
            return form.fields[name]
    return None


def model_of(number: int, letter: str, workshop: ClockedWorkshop) -> Ref:
    """The newest model of an order's animal, by the order's number."""
    [(id_,)] = rows(
        workshop.database,
        "SELECT max(m.id) FROM models m JOIN orders o ON o.id = m.order_id"
        " WHERE o.number = ? AND m.letter = ?",
        number, letter,
    )  # fmt: skip
    return Ref(Of.MODEL, int(str(id_)))


def copies_of(number: int, workshop: ClockedWorkshop) -> list[Ref]:
    """The copies of an order, by its number, in the order of their codes."""
    found = rows(
        workshop.database,
        "SELECT k.id FROM copies k JOIN orders o ON o.id = k.order_id WHERE o.number = ?"
        " ORDER BY k.letter, k.number, k.making",
        number,
    )
    return [Ref(Of.COPY, int(str(id_))) for (id_,) in found]


def address(ref: Ref) -> str:
    """A piece's page."""
    return f"/pieces/{ref.of}/{ref.id}"


def free_to_leave(workshop: ClockedWorkshop, *made: MadeOrder) -> None:
    """Paid, with an address that the customer confirmed."""
    with workshop.database.writing() as db:
        for order in made:
            db.execute(
                update(orders).where(orders.c.id == order.id).values(
                    paid="all", ship_lines="4 Ferry Lane\nSaltmarsh", ship_postcode="SM1 2AB",
                    ship_country="GB", address_confirmed_at=workshop.now(),
                )
            )  # fmt: skip
