"""Closures: whole days on which nobody works."""

from datetime import date

import pytest

from tests.making import CAST, NOW, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words

# NOW is 4 March 2026.


def shut(browser: Browser, first: str, last: str = "", reason: str = ""):
    typed = {"first_day": first, "last_day": last, "reason": reason}
    return browser.post("/settings/closures", typed)


def test_a_closure_counts_at_once_and_no_more_when_taken_back(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    assert workshop.in_force().calendar.is_working_day(date(2026, 3, 10))
    assert shut(owner, "2026-03-09", "2026-03-11", "The kiln is <moved>").status_code == 303
    calendar = workshop.in_force().calendar
    assert [calendar.is_working_day(date(2026, 3, d)) for d in (6, 9, 10, 11, 12)] == [
        True, False, False, False, True,
    ]  # fmt: skip
    page = owner.get("/settings/closures").text
    assert "9 March to 11 March" in page
    assert "The kiln is &lt;moved&gt;" in page
    assert "Closed next: Mon 9 Mar, Tue 10 Mar, Wed 11 Mar." in words(owner.get("/settings"))
    assert owner.post("/settings/closures/1/take-back").status_code == 303
    assert workshop.in_force().calendar.is_working_day(date(2026, 3, 10))
    assert "No closures planned" in owner.get("/settings/closures").text
    assert owner.post("/settings/closures/1/take-back").status_code == 404


def test_an_empty_last_day_means_a_single_day(owner: Browser, workshop: ClockedWorkshop) -> None:
    shut(owner, "2026-03-09")
    assert rows(workshop.database, "SELECT first_day, last_day FROM closures") == [
        ("2026-03-09", "2026-03-09")
    ]


def test_a_closure_may_be_told_afterwards(owner: Browser) -> None:
    assert shut(owner, "2026-02-02", "2026-02-03", "All had the flu").status_code == 303
    page = owner.get("/settings/closures").text
    assert page.index("Past") < page.index("2 February to 3 February")


def test_who_shut_the_house_is_kept(owner: Browser, workshop: ClockedWorkshop) -> None:
    shut(owner, "2026-03-09", "2026-03-11", "Stocktaking")
    owner.post("/settings/closures/1/take-back")
    assert rows(
        workshop.database, "SELECT at, account_id, of, of_id, field, after FROM changes"
    ) == [
        (NOW, 1, "closures", 1, "closed", '"2026-03-09 to 2026-03-11, Stocktaking"'),
        (NOW, 1, "closures", 1, "open_again", '"2026-03-09 to 2026-03-11, Stocktaking"'),
    ]


@pytest.mark.parametrize(
    ("first", "last", "field"),
    [("", "", "first_day"), ("tomorrow", "", "first_day"), ("2026-02-30", "", "first_day"),
     ("2026-03-09", "2026-03-08", "last_day"), ("2025-03-01", "", "first_day"),
     ("2026-03-09", "2026-08-09", "last_day"), ("2030-01-01", "", "last_day"),
     ("2026-03-09", "soon", "last_day"), ("9" * 4000, "", "first_day"), ("0", "", "first_day")],
)  # fmt: skip
def test_days_that_will_not_do_are_said_at_their_field(
    owner: Browser, workshop: ClockedWorkshop, first: str, last: str, field: str
) -> None:
    answer = shut(owner, first, last, "Spring <clean>")
    assert answer.status_code == 422
    assert f'id="e-{field}"' in answer.text
    assert 'value="Spring &lt;clean&gt;"' in answer.text
    assert rows(workshop.database, "SELECT count(*) FROM closures") == [(0,)]


@pytest.mark.parametrize("reason", ["a" * 121, "x\u202ey", "line\nbreak"])
def test_a_reason_that_will_not_do_is_said(owner: Browser, reason: str) -> None:
    answer = shut(owner, "2026-03-09", "", reason)
    assert answer.status_code == 422
    assert 'id="e-reason"' in answer.text


def test_a_double_tap_shuts_the_house_once(owner: Browser, workshop: ClockedWorkshop) -> None:
    assert shut(owner, "2026-03-09", "2026-03-11").status_code == 303
    again = shut(owner, "2026-03-11", "2026-03-13")
    assert again.status_code == 422
    assert "already closed on 9 March 2026 to 11 March 2026" in again.text
    assert rows(workshop.database, "SELECT count(*) FROM closures") == [(1,)]


def test_the_desk_reads_closures_but_shuts_nothing(
    browser: Browser, workshop: ClockedWorkshop
) -> None:
    browser.as_(workshop, CAST.owner)
    shut(browser, "2026-03-09")
    browser.as_(workshop, CAST.desk)
    page = browser.get("/settings/closures")
    assert page.status_code == 200
    assert "9 March" in page.text
    assert "<form class" not in page.text
    assert "take-back" not in page.text
    assert shut(browser, "2026-03-10").status_code == 403
    assert browser.post("/settings/closures/1/take-back").status_code == 403
    assert browser.as_(workshop, CAST.painter).get("/settings/closures").status_code == 403


@pytest.mark.parametrize("number", ["7", "0", "x", "9" * 30])
def test_a_closure_that_is_not_there_is_a_404(owner: Browser, number: str) -> None:
    assert owner.post(f"/settings/closures/{number}/take-back").status_code == 404
