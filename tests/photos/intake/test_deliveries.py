"""The list of deliveries: what lapses first on top, a new link asked for in one tap."""

from datetime import date

import pytest

from app.photos.intake.deliveries import against_said, lapse
from tests.making import MadeOrder, Wanted, rows
from tests.photos.intake.conftest import told
from tests.photos.intake.shots import Desk, jpeg
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import the_form, words

TODAY = date(2026, 3, 4)


@pytest.mark.parametrize(
    ("day", "sentence", "mark"),
    [
        ("2026-03-03", "expired on Tue 3 Mar", "late"),
        ("2026-03-04", "expires today, Wed 4 Mar", "soon"),
        ("2026-03-05", "expires tomorrow, Thu 5 Mar", "soon"),
        ("2026-03-07", "expires on Sat 7 Mar", "soon"),
        ("2026-03-08", "expires on Sun 8 Mar", ""),
    ],
)
def test_three_days_before_a_link_lapses_the_list_warns(day: str, sentence: str, mark: str) -> None:
    found = lapse(day, TODAY)
    assert found is not None
    assert (found.sentence, found.mark) == (sentence, mark)


@pytest.mark.parametrize(
    ("here", "said", "sentence"),
    [
        (143, None, "143 photos safely here."),
        (143, 143, "143 photos safely here, as announced."),
        (140, 143, "140 photos safely here; 143 were announced, so 3 may still be missing."),
        (0, 12, "12 announced, none here yet."),
        (0, None, "None here yet."),
    ],
)
def test_what_came_is_held_against_what_was_said(
    here: int, said: int | None, sentence: str
) -> None:
    assert against_said(here, said) == sentence


def test_what_lapses_first_is_on_top(workshop: ClockedWorkshop, desk: Browser) -> None:
    for name, day in (("Fern", None), ("Otis", "2026-03-20"), ("Juniper", "2026-03-05")):
        told(workshop, [Wanted(name)], day)
    said = words(desk.get("/photos"))
    assert said.index("Juniper") < said.index("Otis") < said.index("Fern")
    assert "▲ Expires tomorrow" in said


def test_a_lapsed_link_is_asked_for_again_in_one_tap_and_once(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    made = told(workshop, [Wanted("Juniper")], "2026-03-02")
    page = desk.get("/photos")
    [(delivery,)] = rows(workshop.database, "SELECT id FROM photo_deliveries")
    form = the_form(page.text, f"/photos/deliveries/{delivery}/ask")
    assert desk.post(form.action, form.fields).status_code == 303
    [(asked, model, blocking)] = rows(
        workshop.database, "SELECT asked, model_id, blocking FROM questions"
    )
    assert asked == (
        "The link to the photos of Juniper stopped working on 2 March, before we had fetched"
        " them. Could you send a new one, please? The files as the camera made them are best, and"
        " nothing else is needed."
    )
    assert (model, blocking) == (made.model().id, 1)
    assert desk.post(form.action, form.fields).status_code == 409
    assert "Asked for a new link today" in words(desk.get("/photos"))


def test_pictures_that_came_without_a_word_get_a_delivery(
    workshop: ClockedWorkshop, desk: Browser, order: MadeOrder
) -> None:
    answer = desk.post("/photos/came", {"number": str(order.number), "way": "card"})
    assert answer.status_code == 303
    assert desk.get(answer.headers["location"]).status_code == 200
    for number in ("4711", "", "x"):
        assert desk.post("/photos/came", {"number": number, "way": "card"}).status_code == 422


def test_a_counted_delivery_leaves_the_list(photo_desk: Desk) -> None:
    photo_desk.bring([("a.jpg", jpeg(1))])
    photo_desk.count()
    said = words(photo_desk.browser.get("/photos"))
    assert "There are no photos to fetch." in said
    assert "Recently counted in" in said
