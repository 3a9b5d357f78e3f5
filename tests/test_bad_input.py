"""Every form of the staff site, given what no form should be given.

The routes are read from the site, the fields from its own pages: a new form is tried without a
line here. Whatever comes, the answer is never an error of ours, never a stack trace, and a
refusal leaves the database as it was.
"""

import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote_from_bytes

import httpx
import pytest
from fastapi.routing import APIRoute
from sqlalchemy import text as sql
from starlette.routing import Mount

from app.main import ROUTERS, staff_site
from app.photos.intake import actions as photo_actions
from app.shared.places import DataFolder
from app.shared.web.headers import LARGEST_FORM
from app.staff import actions as staff
from tests.everything import fill, pages
from tests.making import CAST, fingerprint, fingerprint_by
from tests.staff.browser import ORIGIN, Browser, ClockedWorkshop
from tests.staff.test_permissions import every_route
from tests.whole_site import Form, forms, the_form, typed_in, words

POSTS = {r.name: r for router in ROUTERS for r in every_route(router.routes) if "POST" in r.methods}
# A failed try at the door is counted, and a link that was used is used up.
WRITES_ITS_REFUSALS = {"sign_in_try", "link_use", "own_password_change", "switch_person_do"}
MOST_SHAPES = 6
PLAIN = "application/x-www-form-urlencoded"
VALUES = {
    "too long": "a" * 10_000,
    "a number beyond any": "9" * 30,
    "a number of five thousand digits": "9" * 5_000,
    "a row that is not there": "8999999999",
    "below nothing": "-1",
    "not a number": "1e400",
    "a digit of another script": "٣",
    "an unknown choice": "purple",
    "the first day of all": "0001-01-01",
    "the last day of all": "9999-12-31",
    "an hour that is none": "25:61",
    "a control character": "bell\x07",
    "a bidirectional override": "abc\u202edef",
    "half a surrogate pair": "abc\ud83d",
    "nul": "abc\x00def",
    "mail code": "=?utf-8?q?Bcc:_x=40y?=",
    "a header of its own": "a\r\nBcc: x@y.example",
    "markup": "<script>alert(1)</script>\"'>{{7*7}}",
    "accents without end": "a" + "\u0301" * 500,
    "elsewhere": "//elsewhere.example/\\x",
}
ONE_AT_A_TIME = ("a number beyond any", "an unknown choice", "nul", "the last day of all")


@dataclass(frozen=True)
class Stand:
    """A filled house as a file, and the forms that its pages hold, by route."""

    file: Path
    link: str
    forms: dict[str, list[Form]]


@pytest.fixture(scope="module")
def stand(template: Path, tmp_path_factory: pytest.TempPathFactory) -> Stand:
    folder = DataFolder(tmp_path_factory.mktemp("stand"))
    folder.prepare()
    shutil.copyfile(template, folder.database_file)
    workshop = ClockedWorkshop(folder)
    fill(workshop)
    link = staff.invite(workshop.database, CAST.owner, "Tansy Merrow", "desk", workshop.now())
    browser = Browser(staff_site(workshop))
    texts = [("/sign-in", browser.get("/sign-in").text), (link, browser.get(link).text)]
    browser.as_(workshop, CAST.owner)
    texts += pages(workshop, browser)
    under_way = browser.post("/orders/new", {"more": "again", "under_way": "1"})
    texts.append(("/orders/new", under_way.text))
    sheet = next(address for address, _ in texts if address.startswith("/history/sheets/"))
    reads = the_form(browser.get(sheet).text, sheet).fields
    days_first = {name: "day_first" for name in reads if name[0] == "o"}
    texts.append((sheet, browser.post(sheet, reads | days_first).text))
    found: dict[str, list[Form]] = {name: [] for name in POSTS}
    seen = set()
    for address, text in texts:
        for form in (form for form in forms(text) if form.method == "post"):
            form.action = form.action or address
            for name, route in POSTS.items():
                names = {without_numbers(field) for field in (*form.fields, *form.ticks)}
                shape = (name, *sorted(names), form.fields.get("move"))
                if route.path_regex.match(form.action) and shape not in seen:
                    seen.add(shape)
                    found[name].append(form)
    workshop.close()
    with_log = folder.database_file.with_name("stand.db")
    shutil.copyfile(folder.database_file, with_log)
    return Stand(with_log, link, found)


def without_numbers(name: str) -> str:
    return re.sub(r"\d+", "1", name)


@pytest.fixture
def workshop(stand: Stand, tmp_path: Path) -> Iterator[ClockedWorkshop]:
    folder = DataFolder(tmp_path)
    folder.prepare()
    shutil.copyfile(stand.file, folder.database_file)
    shutil.copytree(stand.file.with_name("imports"), folder.sheets)
    workshop = ClockedWorkshop(folder)
    workshop.moment += 60
    yield workshop
    workshop.close()


def body(pairs: list[tuple[str, str]]) -> bytes:
    """Fields as a browser encodes them; half a surrogate pair goes out as its three bytes."""
    return "&".join(
        "=".join(quote_from_bytes(part.encode("utf-8", "surrogatepass")) for part in pair)
        for pair in pairs
    ).encode()


def send(
    browser: Browser, address: str, content: bytes, kind: str | None = PLAIN
) -> httpx.Response:
    headers = {"origin": ORIGIN} | ({"content-type": kind} if kind is not None else {})
    try:
        return browser.send("POST", address, content=content, headers=headers)
    except Exception as why:  # an error of ours comes through to the test as itself
        return httpx.Response(500, text=repr(why)[:300])


GOOD = {"date": "2026-03-20", "email": "x@house.example", "hidden": ""}
GOOD_AT = {
    "link": "https://pictures.example/x", "from_day": "2026-04-01", "to_day": "2026-05-01",
    "happened_on": "", "happened_at": "", "sent_on": "", "sent_at": "", "until_at": "9:00",
    "taken_on": "2026-03-01", "since": "2026-03-01", "pictures": "12",
}  # fmt: skip


def filled(form: Form) -> list[tuple[str, str]]:
    """A form as somebody sends it who knows what belongs into its fields."""
    found = []
    for name, value in form.fields.items():
        if re.fullmatch(r"a\d+c\d+_(step|since)", name):
            found.append((name, value))
            continue
        choice = next((one for one in form.choices.get(name, ()) if one), "")
        plain = GOOD_AT.get(name.rpartition("_")[2] if "_" in name and name[0] == "a" else name)
        kind = GOOD.get(form.kinds.get(name, ""), "12")
        found.append((name, value or choice or (kind if plain is None else plain)))
    ticks = [
        (name, value)
        for name, values in form.ticks.items()
        for value in values
        if name not in ("under_way", "struck", "gone") or value in form.ticked.get(name, ())
    ]
    return [*found, *ticks, *(button for button in form.buttons[-1:] if button[0])]


def bodies(form: Form) -> Iterator[tuple[str, bytes, str | None]]:
    """Everything that is tried on a form: what it is, the body, its content type."""
    fields = filled(form)
    names = [name for name, _ in fields if name]
    for what, value in VALUES.items():
        yield f"{what} everywhere", body([(name, value) for name in names]), PLAIN
    for name in {without_numbers(name): name for name in names}.values():
        for what in ONE_AT_A_TIME:
            changed = [(n, VALUES[what] if n == name else v) for n, v in fields]
            yield f"{what} in {name}", body(changed), PLAIN
        yield f"without {name}", body([pair for pair in fields if pair[0] != name]), PLAIN
    yield "nothing at all", b"", PLAIN
    yield "every field twice", body(fields + fields), PLAIN
    yield "3 501 fields", body([*fields, *((f"x{n}", "1") for n in range(3501))]), PLAIN
    yield "bytes that are no text", b"name=%FF%FE&%00=%00&=&&=;", PLAIN
    yield from other_kinds(fields)


def other_kinds(fields: list[tuple[str, str]]) -> Iterator[tuple[str, bytes, str | None]]:
    """The same form in other wrappings, whole and broken."""
    line = "\r\n"
    parts = "".join(
        f'--edge{line}Content-Disposition: form-data; name="{name}"{line}{line}{value}{line}'
        for name, value in fields
    )
    file = f'--edge{line}Content-Disposition: form-data; name="f"; filename="x.exe"{line}{line}MZ'
    whole = "multipart/form-data; boundary=edge"
    yield "multipart", f"{parts}--edge--{line}".encode(), whole
    yield "a file", f"{parts}{file}{line}--edge--{line}".encode(), whole
    yield "multipart cut off", parts.encode()[:-9], whole
    yield "multipart without an edge", parts.encode(), "multipart/form-data"
    yield "json", b'{"name": ["x"]}', "application/json"
    yield "no content type", body(fields), None
    yield "a broken content type", body(fields), "application/x-www-form-urlencoded; charset=purple"
    yield "no content type known to anybody", body(fields), "\x01;;="


@pytest.mark.parametrize("name", POSTS)
def test_nothing_that_is_sent_is_an_error_or_half_written(
    stand: Stand, workshop: ClockedWorkshop, name: str
) -> None:
    route = POSTS[name]
    browser = Browser(staff_site(workshop))
    known = stand.forms[name] or [Form(re.sub(r"\{[^}]+\}", "1", route.path), "post")]
    wrong = []
    with closing(sqlite3.connect(workshop.folder.database_file)) as raw:
        written = Written(raw)
        for form in known[:MOST_SHAPES]:
            for what, content, kind in bodies(form):
                if not browser.cookie and name not in ("sign_in_try", "link_use"):
                    browser.as_(workshop, CAST.owner)
                written.since()
                answer = send(browser, form.action, content, kind)
                if problem := problem_of(answer, name, written):
                    wrong.append((form.action, form.fields.get("move", ""), what, problem))
    assert wrong == []


class Written:
    """Whether anything in a database is other than it was.

    SQLite says at once whether another connection has committed anything (its data_version);
    only then is all of it read and compared.
    """

    def __init__(self, raw: sqlite3.Connection) -> None:
        self._raw = raw
        self._version = -1
        self._all = ""

    def since(self) -> bool:
        """Whether it was changed since this was last asked."""
        version = self._raw.execute("PRAGMA data_version").fetchone()[0]
        if version == self._version:
            return False
        before, self._version, self._all = self._all, version, fingerprint_by(self._raw)
        return self._all != before


def problem_of(answer: httpx.Response, name: str, written: Written) -> str:
    if answer.status_code >= 500:
        return f"an error of ours: {answer.text}"
    if "Traceback" in answer.text or 'File "' in answer.text:
        return "a stack trace"
    if answer.status_code == 401 and name != "sign_in_try":
        return "not signed in: nothing was tried"
    if answer.status_code >= 400 and name not in WRITES_ITS_REFUSALS and written.since():
        return f"refused ({answer.status_code}), and yet something was written"
    return ""


def test_every_form_of_the_site_is_tried_as_its_page_shows_it(
    stand: Stand, workshop: ClockedWorkshop
) -> None:
    live = {
        route.name
        for route in every_route(staff_site(workshop).app.routes)
        if not isinstance(route, Mount) and "POST" in route.methods
    }
    assert live == set(POSTS)
    missing = {name for name, found in stand.forms.items() if not found}
    ours = {n for n, r in POSTS.items() if r.endpoint.__module__.startswith(SHOWN_IN_FULL)}
    assert missing & ours <= {"account_on", "answer", "assess_views"}


# The rooms whose every form stands on a page of the filled house; others are tried all the same,
# as far as they show themselves.
SHOWN_IN_FULL = ("app.orders", "app.bench", "app.parcels", "app.staff", "app.studio")


@pytest.mark.parametrize("name", POSTS)
def test_a_huge_body_is_refused_before_it_is_read(
    stand: Stand, workshop: ClockedWorkshop, name: str
) -> None:
    browser = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    before = fingerprint(workshop.folder.database_file)
    where = re.sub(r"\{[^}]+\}", "1", POSTS[name].path)
    if any(where.startswith(begin) for begin in browser.site.larger):
        pytest.skip("pictures may be larger; their own tests say how much")
    assert send(browser, where, b"a=" + b"b" * LARGEST_FORM).status_code == 413
    assert fingerprint(workshop.folder.database_file) == before


def test_an_address_with_a_number_beyond_any_is_no_page(workshop: ClockedWorkshop) -> None:
    browser = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    for address in ("/orders/", "/pieces/copy/", "/parcels/", "/customers/", "/corrections/"):
        for number in ("9" * 19, "9" * 30, "9" * 5_000):
            assert browser.get(address + number).status_code == 404, (address, len(number))
            assert browser.post(address + number + "/edit").status_code in (404, 405)


def test_a_number_of_thousands_of_digits_in_a_form_is_refused_in_words(
    stand: Stand, workshop: ClockedWorkshop
) -> None:
    browser = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    many = "9" * 5_000
    with workshop.database.reading() as db:
        order = db.execute(sql("SELECT min(number) FROM orders")).scalar_one()
    delivery = photo_actions.came(workshop, order, "link", CAST.desk)
    sorting = f"/photos/deliveries/{delivery}/sorting"
    for address, typed in [
        ("/orders/new", {"more": f"copy:{many}"}),
        (sorting, {"give": "0", "tick": many}),
        (sorting, {"give": many}),
        ("/undo", {"entry": many}),
        ("/parcels/new", {"copy": many}),
        ("/builds/start", {"machine": many, "move": "x"}),
    ]:
        answer = send(browser, address, body(list(typed.items())))
        assert 400 <= answer.status_code < 500, (address, answer.text[:300])
        assert '<p class="' in answer.text or "<p>" in answer.text


QUERIES = (
    "q", "page", "customer", "animal", "copy", "needed_by", "name", "needed", "v", "show", "act",
    "done", "after", "step", "mail", "next", "piece", "order", "paper",
)  # fmt: skip


def test_queries_of_an_address_that_no_page_sends_are_no_error(workshop: ClockedWorkshop) -> None:
    browser = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    for route in (r for router in ROUTERS for r in every_route(router.routes)):
        assert isinstance(route, APIRoute)
        if "GET" not in route.methods or "{" in route.path:
            continue
        # What a route declares may refuse, and so hide the rest: each of these goes by itself.
        own = {query.alias for query in route.dependant.query_params}
        rest = [name for name in QUERIES if name not in own]
        for names in (*([name] for name in sorted(own)), rest):
            for value in (
                "9" * 30,
                "-1",
                "%00",
                "%ED%A0%BD",
                "9999-12-31",
                "0001-01-01",
                "%2F%2Fx",
            ):
                asked = "&".join(f"{name}={value}" for name in names)
                answer = browser.get(f"{route.path}?{asked}")
                assert answer.status_code < 500, (route.path, asked)


def test_markup_in_every_field_of_an_order_stays_text_on_every_page(
    workshop: ClockedWorkshop,
) -> None:
    browser = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    mark = "<img src=x onerror=alert(1)>\"'{{7*7}}"
    form = the_form(browser.get("/orders/new").text, "/orders/new")
    fields = {n: v or mark for n, v in form.fields.items()} | {
        "customer_id": "", "a0_animal_id": "", "mail": "x@y.example", "gift_day": "",
        "needed_by": "2026-06-01", "a0c0_size": "80", "a0c0_many": "", "then": "open", "a0c0_measured": "", "approves": "",
        "a0_marks": f"{mark} on the left", "phone": mark[:50], "ship_name": mark,
    }  # fmt: skip
    saved = browser.post("/orders/new", fields)
    assert saved.status_code == 303, words(saved)
    number = re.search(r"/orders/(\d+)", saved.headers["location"])
    assert number is not None
    for page in (f"/orders/{number[1]}", f"/orders/{number[1]}/edit", "/", "/orders", "/customers",
                 "/waiting", f"/orders/new/customers?name={mark[:12]}"):  # fmt: skip
        text = browser.get(page).text
        assert "<img src=x" not in text
        assert "49" not in re.sub(r"\d{3,}", "", words(browser.get(page))) or page == "/"
    assert typed_in(browser.get(f"/orders/{number[1]}/edit"), "shop_reference") == mark
