"""The chance beside a day that something is needed by: one saying at every door."""

import re

import pytest

from app.flow.steps import Step
from app.main import staff_site
from app.orders.forecast.chances import how_likely
from tests.making import CAST, DAY, NOW, Wanted, make_order
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, words


@pytest.mark.parametrize(
    ("needed", "chance", "said"),
    [
        (None, 0.5, ""),
        ("2026-03-04", None, ""),
        ("2026-03-04", 0.04, "hardly possible"),
        ("2026-03-04", 0.05, "about 1 in 10 to be there"),
        ("2026-03-05", 0.36, "about 4 in 10 to be there"),
        ("2026-03-05", 0.89, "about 9 in 10 to be there"),
        ("2026-03-05", 0.9, "very likely to be there"),
        ("2026-03-03", 0.0, "that day has passed"),
        ("2026-03-03", None, "that day has passed"),
    ],
)
def test_a_chance_in_words_and_a_day_that_has_passed(
    workshop: ClockedWorkshop, needed: str | None, chance: float | None, said: str
) -> None:
    today = workshop.in_force().calendar.day_of(NOW)
    assert how_likely(needed, chance, today) == said


@pytest.mark.parametrize(
    ("needed", "chance", "said"),
    [
        ("2026-03-10", 0.31, "about 3 in 10 to be there"),
        ("2026-03-10", 0.95, "very likely to be there"),
        ("2026-03-10", 0.01, "hardly possible"),
        ("2026-03-02", 0.0, "that day has passed"),
    ],
)
def test_every_page_that_names_the_day_says_the_same_of_it(
    workshop: ClockedWorkshop, needed: str, chance: float, said: str
) -> None:
    pieces = [Wanted("Hettie", step=Step.READY, copy_step=Step.PAINTING)]
    made = make_order(workshop.database, CAST.desk, NOW - 40 * DAY, pieces, needed_by=needed)
    workshop.set_forecast(workshop.pace(), {made.id: chance})
    site = staff_site(workshop)
    desk, painter = (Browser(site).as_(workshop, who) for who in (CAST.desk, CAST.painter))
    at_the_bench = (address(made.copy()), "/", "/week", f"/orders/{made.number}")
    pages = [(painter, where) for where in at_the_bench]
    pages += [(desk, "/orders"), (desk, f"/orders/{made.number}/answers")]
    for browser, where in pages:
        assert said in words(browser.get(where)).lower(), where


def test_nothing_is_said_of_a_day_once_everything_has_left(workshop: ClockedWorkshop) -> None:
    pieces = [Wanted("Hettie", step=Step.READY, copy_step=Step.HANDED_OVER)]
    made = make_order(workshop.database, CAST.desk, NOW, pieces, needed_by="2026-03-02")
    desk = Browser(staff_site(workshop)).as_(workshop, CAST.desk)
    for where in ("/orders", f"/orders/{made.number}", address(made.copy())):
        page = words(desk.get(where))
        assert "2 Mar" in page, where
        assert "has passed" not in page, where


def test_a_ready_text_answers_for_the_day_that_stands_with_the_order(
    workshop: ClockedWorkshop,
) -> None:
    pieces = [Wanted("Hettie", step=Step.READY, copy_step=Step.PAINTING)]
    made = make_order(workshop.database, CAST.desk, NOW, pieces, needed_by="2026-03-20")
    workshop.set_forecast(workshop.pace(), {made.id: 0.31})
    desk = Browser(staff_site(workshop)).as_(workshop, CAST.desk)
    page = desk.get(f"/orders/{made.number}/answers").text
    text = re.search(r'<textarea id="t-by_a_day"[^>]*>(.*?)</textarea>', page, re.DOTALL)
    assert text is not None
    said = text.group(1)
    assert "You asked for 20 March. As things are now, about three in ten orders like this" in said
    assert said.count("You asked for") == 1, "the day is answered once"
