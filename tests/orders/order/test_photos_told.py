"""The customer says that photos are sent: from there on the wait is ours."""

import httpx
import pytest

from app.flow import store
from app.flow.stays import stays
from app.flow.steps import Step, TimeClass
from tests.making import CAST, HOUR, NOW, MadeOrder, Wanted, fingerprint, make_order, piece, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, at_field, the_form, typed_in, words


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    return make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper"), Wanted("Otis")])


def tell(desk: Browser, made: MadeOrder, **typed: str) -> httpx.Response:
    where = f"/orders/{made.number}/photos"
    form = the_form(desk.get(f"/orders/{made.number}").text, where)
    return desk.post(where, form.fields | typed)


def test_from_the_telling_on_the_clock_is_ours(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    workshop.moment += HOUR
    link = "https://pictures.example/x"
    assert tell(desk, made, link=link, lapses_on="2026-03-12", files_said="40").status_code == 303
    assert rows(
        workshop.database, "SELECT way, link, lapses_on, files_said FROM photo_deliveries"
    ) == [("link", link, "2026-03-12", 40)]
    workshop.moment += 2 * HOUR
    with workshop.database.reading() as db:
        log = store.log_of(db, made.model("A"))
    [stay] = stays(made.model("A").of, log, workshop.in_force().calendar, workshop.moment)
    assert stay.classes == {TimeClass.CUSTOMER: HOUR, TimeClass.WAITING: 2 * HOUR} or (
        stay.classes[TimeClass.CUSTOMER] == HOUR and stay.seconds() == 3 * HOUR
    )
    assert "Our turn: announced today, 11:00, not counted in yet." in words(desk.get("/waiting"))


def test_counting_them_closes_the_delivery(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    tell(desk, made)
    where = address(made.model("A"))
    form = the_form(desk.get(where).text, f"{where}/move", move="photos_counted")
    assert desk.post(form.action, form.fields | {"amount": "38"}).status_code == 303
    assert rows(workshop.database, "SELECT files_counted FROM photo_deliveries") == [(38,)]
    assert piece(workshop.database, made.model("A")).state.step is Step.PHOTOS_IN


def test_order_and_piece_lead_to_what_was_told_of_until_it_is_counted(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    pages = (f"/orders/{made.number}", address(made.model("A")))
    assert all("/photos/deliveries/" not in desk.get(page).text for page in pages)
    tell(desk, made, lapses_on="2026-03-12", files_said="40")
    for page in pages:
        answer = desk.get(page)
        assert "Photos announced today, 10:00: 40 files, they say." in words(answer)
        assert "The link expires on Thu 12 Mar." in words(answer)
        assert 'href="/photos/deliveries/1">Add the photos' in answer.text
    for letter in "AB":
        where = address(made.model(letter))
        form = the_form(desk.get(where).text, f"{where}/move", move="photos_counted")
        desk.post(form.action, form.fields | {"amount": "20"})
    assert all("/photos/deliveries/" not in desk.get(page).text for page in pages)


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"link": "pictures.example"}, "link"),
        ({"link": "javascript:alert(1)"}, "link"),
        ({"files_said": "-1"}, "files_said"),
        ({"files_said": "many"}, "files_said"),
        ({"files_said": "9" * 30}, "files_said"),
        ({"lapses_on": "soon"}, "lapses_on"),
        ({"way": "pigeon"}, "way"),
    ],
)
def test_what_cannot_be_is_said_at_its_field_and_kept(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, typed: dict[str, str], field: str
) -> None:
    before = fingerprint(workshop.folder.database_file)
    page = tell(desk, made, **({"lapses_on": "2026-03-12"} | typed))
    assert page.status_code == 422
    assert at_field(page, field)
    if field != "lapses_on":
        assert typed_in(page, "lapses_on") == "2026-03-12"
    assert fingerprint(workshop.folder.database_file) == before


def test_told_twice_by_a_wet_finger_is_told_once(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    assert tell(desk, made, link="https://a.example/1").status_code == 303
    assert tell(desk, made, link="https://a.example/1").status_code == 409
    assert tell(desk, made, link="https://a.example/2").status_code == 303, "a second link came"
    assert rows(workshop.database, "SELECT count(*) FROM photo_deliveries") == [(2,)]
    assert rows(workshop.database, "SELECT count(*) FROM transitions WHERE kind = 'told'") == [(2,)]


def test_where_no_photos_are_wanted_none_are_told_of(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    done = make_order(workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY)])
    assert "Photos are announced" not in words(desk.get(f"/orders/{done.number}"))
    answer = desk.post(f"/orders/{done.number}/photos", {"way": "link", "once": "k"})
    assert answer.status_code == 409
    assert "This order needs no photos now" in words(answer)
