"""The desk hears which customers should be told that it takes longer."""

from datetime import date, timedelta

import pytest
from sqlalchemy import insert, text

from app.flow.steps import Step
from app.tables import forecasts, news, tellings
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words

TOLD_AT = NOW - 10 * DAY
SECTION = "It takes longer than they were told"


def running_late(
    workshop: ClockedWorkshop, *, since: int | None, end: int | None, write_by: int | None = None
) -> MadeOrder:
    """An order at the painter's whose end is computed for 30 days ahead.

    `end` and `write_by` are what was told, `since` from when it has run over, in days from today.
    """
    made = make_order(
        workshop.database, CAST.desk, NOW - 20 * DAY,
        [Wanted("Juniper", step=Step.READY, copy_step=Step.PAINTING)],
    )  # fmt: skip
    today = workshop.in_force().calendar.day_of(NOW)
    day = lambda away: None if away is None else (today + timedelta(days=away)).isoformat()  # noqa: E731
    with workshop.database.writing() as db:
        db.execute(text("DELETE FROM forecasts"))
        db.execute(
            insert(forecasts).values(
                order_id=made.id, computed_at=NOW - 60, points='{"10": 20, "85": 30}',
                basis="own", inputs="1", stale=0, later_since=day(since),
            )
        )  # fmt: skip
        db.execute(
            insert(tellings).values(
                order_id=made.id, at=TOLD_AT, channel="page", from_day=day(end and end - 9),
                to_day=day(end), write_by=day(write_by), basis="own", steps_seen=0,
            )
        )  # fmt: skip
    return made


def test_an_end_that_runs_over_for_two_days_is_put_before_the_desk(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = running_late(workshop, since=-1, end=8)
    page = desk.get("/waiting")
    said = words(page)
    assert "One customer should hear that it takes longer: Imre Castellan" in said
    assert SECTION in said
    told = workshop.in_force().calendar.day_of(NOW) + timedelta(days=8)
    assert f"told until {told.day} " in said
    assert "computed now between" in said
    assert f"/orders/{made.number}/letters?kind=running_later" in page.text
    assert desk.post(f"/orders/{made.number}/letters/later").status_code == 303
    assert SECTION not in words(desk.get("/waiting")), "said once, it is not asked for again"


@pytest.mark.parametrize("since", [None, 0])
def test_on_the_first_day_nobody_is_asked_yet(
    desk: Browser, workshop: ClockedWorkshop, since: int | None
) -> None:
    running_late(workshop, since=since, end=8)
    assert SECTION not in words(desk.get("/waiting"))


def test_what_the_page_promised_to_write_comes_first_and_says_by_when(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    running_late(workshop, since=-9, end=None, write_by=3)
    day: date = workshop.in_force().calendar.day_of(NOW) + timedelta(days=3)
    said = words(desk.get("/waiting"))
    assert f"we write by {day.day} " in said
    assert "the old end is no longer named" in said


def test_a_letter_that_waits_already_is_a_yes_already(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = running_late(workshop, since=-1, end=8)
    with workshop.database.writing() as db:
        db.execute(insert(news).values(order_id=made.id, kind="running_later", at=NOW))
    assert SECTION not in words(desk.get("/waiting"))
