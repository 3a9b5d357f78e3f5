"""The lead-time page: who sees it, what it says with much, little and no history."""

import re
from typing import Any

import pytest

from app.flow.steps import Step
from app.main import staff_site
from app.owner.known import Knowledge
from tests.making import CAST, DAY, NOW, Wanted, make_order, walk
from tests.staff.browser import Browser

CHARTS = ("finishing", "starting", "where", "steady", "drift", "track")
ROUND_TRIP = ("blank_done", "shaped", "painted", "passed", "handed_over")


def page_of(workshop: Any, address: str = "/lead-times") -> str:
    owner = CAST.owner
    with workshop.database.reading() as db:
        from sqlalchemy import text

        first = db.execute(text("SELECT min(id) FROM accounts WHERE role = 'owner'")).scalar_one()
    from app.shared.people import Person

    me = Person(first, owner.role, owner.name)
    answer = Browser(staff_site(workshop)).as_(workshop, me).get(address)
    assert answer.status_code == 200
    return answer.text


def plain(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


def hand_over(workshop: Any, days: int, name: str = "Juniper", kind: str = "horse") -> Any:
    """An order whose one piece leaves after so many days."""
    at = NOW - 40 * DAY
    want = Wanted(name, step=Step.READY, copy_step=Step.BLANK, kind=kind)
    made = make_order(workshop.database, CAST.desk, at, [want], paid="all", address_confirmed_at=at)
    walk(workshop.database, made.copy("A1"), CAST.owner, at + days * DAY - 300, *ROUND_TRIP)
    return made


@pytest.mark.parametrize(
    ("person", "status"), [(CAST.owner, 200), (CAST.desk, 403), (CAST.painter, 403), (None, 303)]
)
def test_only_the_owner_sees_it(empty, person, status):
    browser = Browser(staff_site(empty)).as_(empty, person)
    assert browser.get("/lead-times").status_code == status
    assert ("Lead times" in browser.get("/").text) == (person == CAST.owner)


def test_without_history_it_says_so_and_draws_nothing(empty):
    page = page_of(empty)
    text = plain(page)
    assert "Nothing that was chosen here has been handed over yet" in text
    assert "No piece was handed over in the last 90 days." in text
    assert "No piece has been through every step yet." in text
    assert "None: no piece is in work." in text
    assert "No customer was given dates in these months." in text
    assert "<canvas" not in page


def test_five_pieces_are_told_in_words_only(empty):
    for number, days in enumerate((21, 24, 28, 30, 33)):
        hand_over(empty, days, f"Otis {number}")
    page = page_of(empty)
    text = plain(page)
    assert "Five pieces left in the last 90 days, after 21 to 33 days: too few" in text
    assert "Five pieces were handed over in these months, after 21 to 33 days." in text
    assert "in 100" not in text
    assert "<canvas" not in page
    assert "<table" not in page


def test_before_six_whole_months_it_says_how_many_there_are(empty):
    for number in range(20):
        hand_over(empty, 21, f"Otis {number}")
    text = plain(page_of(empty))
    assert "Limits need six whole months with five pieces each; there is one month so far." in text


def test_with_a_history_every_chart_stands_over_its_table(workshop):
    page = page_of(workshop)
    assert re.findall(r'data-draws="(\w+)"', page) == list(CHARTS)
    for chart in CHARTS:
        table = re.search(rf'<table[^>]*id="t-{chart}".*?</table>', page, re.S)
        assert table is not None, chart
        assert table[0].count("<tr") > 3
    assert page.count("<figcaption>") == len(CHARTS)
    assert "style=" not in page
    assert page.count("<dt>") == 6


def test_the_cells_of_where_the_days_go_add_up(workshop):
    table = re.search(r'id="t-where".*?</table>', page_of(workshop), re.S)
    assert table is not None
    rows = [
        [
            round(10 * float(cell.replace("·", "0")))
            for cell in re.findall(r"<td[^>]*>(.*?)</td>", row)
        ]
        for row in re.findall(r"<tr>.*?</tr>", table[0], re.S)[1:]
    ]
    *steps, total = [row for row in rows if row]
    assert len(steps) > 8
    for row in [*steps, total]:
        *own, ours, customer, whole = row
        assert sum(own) == ours
        assert ours + customer == whole
    assert [sum(column) for column in zip(*steps, strict=True)] == total


def test_dots_and_counts_of_a_month_are_the_same_pieces(workshop):
    rows = re.findall(
        r'<tr data-dots="([^"]*)".*?<td class="n">(\d+)</td>', page_of(workshop), re.S
    )
    assert sum(int(n) for _, n in rows) > 100
    assert all(len(dots.split()) == int(n) for dots, n in rows)


def test_the_address_chooses_months_kind_and_the_remembered(workshop):
    def pieces(address: str) -> int:
        rows = re.findall(r'<tr data-dots="([^"]*)"', page_of(workshop, address))
        return sum(len(dots.split()) for dots in rows)

    everything = pieces("/lead-times?months=24")
    assert pieces("/lead-times?months=6") < everything
    assert pieces("/lead-times?months=24&remembered=out") < everything
    assert 0 < pieces("/lead-times?months=24&kind=horse") < everything
    assert pieces("/lead-times?months=nonsense&kind=unicorn") == pieces("/lead-times")
    chosen = page_of(workshop, "/lead-times?months=24&kind=horse&remembered=out")
    assert re.findall(r'<option[^>]* selected[^>]*>([^<]+)', chosen) == [
        "24 months", "horse", "without memorial pieces",
    ]  # fmt: skip


def test_what_is_kept_and_topped_up_is_what_a_fresh_reading_gives(empty):
    import numpy as np

    known = Knowledge(empty)
    hand_over(empty, 20)
    first = known.look()
    assert len(first.ways) == 1
    made = hand_over(empty, 25, "Fern", "goat")
    later = known.look()
    assert len(later.ways) == 2
    with empty.database.writing() as db:
        from sqlalchemy import text

        db.execute(text("UPDATE animals SET life = 'remembered' WHERE name = 'Fern'"))
        db.execute(
            text("INSERT INTO changes (at, of, of_id, field) VALUES (:at, 'animals', :id, 'life')"),
            {"at": NOW, "id": made.animal_ids["A"]},
        )
    topped, fresh = known.look(), Knowledge(empty).look()
    assert topped.ways.remembered.tolist() == [False, True]
    for name in topped.ways.__dataclass_fields__:
        assert np.array_equal(getattr(topped.ways, name), getattr(fresh.ways, name)), name
    assert known.look() is topped, "nothing changed, so nothing is read"
