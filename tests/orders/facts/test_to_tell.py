"""The desk hears which customers should be told that it takes longer."""

from datetime import date, timedelta

import pytest
from sqlalchemy import insert, text, update

from app.flow.steps import Step
from app.orders.facts.gather import facts_of
from app.orders.facts.order import OrderFacts
from app.publishing.worker import _keep_told
from app.shared.web.words import short_day
from app.tables import forecasts, news, tellings
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, move, rows, walk
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words

TOLD_AT = NOW - 10 * DAY
NEAR = date(2026, 3, 4)
SECTION = "It takes longer than they were told"


def facts(workshop: ClockedWorkshop, made: MadeOrder) -> list[OrderFacts]:
    with workshop.database.reading() as db:
        return [facts_of(db, made.id, workshop.in_force(), workshop.now())]


def running_late(
    workshop: ClockedWorkshop,
    *,
    since: int | None,
    end: int | None,
    write_by: int | None = None,
    computed: int = 30,
) -> MadeOrder:
    """An order at the painter's whose end is computed for `computed` days ahead.

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
                order_id=made.id, computed_at=NOW - 60, points=f'{{"10": {computed - 10}, "85": {computed}}}',
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
    assert f"We said until {short_day(told, NEAR)}" in said
    assert "Now it is between" in said
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
    assert f"we write by {short_day(day, NEAR)}" in said
    assert "Their page shows no end date" in said


def test_a_letter_that_waits_already_is_a_yes_already(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = running_late(workshop, since=-1, end=8)
    with workshop.database.writing() as db:
        db.execute(insert(news).values(order_id=made.id, kind="running_later", at=NOW))
    assert SECTION not in words(desk.get("/waiting"))


def computed_anew(workshop: ClockedWorkshop, days: int) -> None:
    """As the worker leaves it when it has worked out the days that remain."""
    with workshop.database.writing() as db:
        points = f'{{"10": {days - 10}, "85": {days}}}'
        db.execute(
            update(forecasts).values(
                computed_at=workshop.now(), stale=0, points=points, basis="own"
            )
        )


@pytest.mark.parametrize("what", ["rework", "remake"])
def test_work_that_is_done_again_puts_the_order_on_the_list_at_once(
    desk: Browser, workshop: ClockedWorkshop, what: str
) -> None:
    made = running_late(workshop, since=None, end=14, computed=13)
    _keep_told(workshop, facts(workshop, made), NOW)
    assert SECTION not in words(desk.get("/waiting"))
    if what == "remake":
        move(
            workshop.database, made.copy(), CAST.owner, NOW, "remake", reason="an ear broke off",
            cause="painting",
        )  # fmt: skip
    else:
        walk(workshop.database, made.copy(), CAST.painter, NOW - 60, "painted", each=30)
        move(
            workshop.database, made.copy(), CAST.owner, NOW, "back_to_painting", reason="a stripe",
            cause="painting",
        )  # fmt: skip
    workshop.moment = NOW + 120
    computed_anew(workshop, 22)
    assert f"order {made.number}" in words(desk.get("/waiting")).partition(SECTION)[2]
    assert "It is taking longer than the customer was told" in words(
        desk.get(f"/orders/{made.number}")
    )
    _keep_told(workshop, facts(workshop, made), workshop.now())
    assert f"order {made.number}" in words(desk.get("/waiting")).partition(SECTION)[2]
    assert rows(workshop.database, "SELECT count(*) FROM tellings") == [(1,)], "no page tells it"


def test_a_remade_piece_leads_to_the_new_one_and_to_what_they_were_told(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = running_late(workshop, since=None, end=14, computed=13)
    move(
        workshop.database, made.copy(), CAST.owner, NOW, "remake", reason="an ear broke off",
        cause="painting",
    )  # fmt: skip
    page = desk.get(f"/pieces/copy/{made.copy().id}")
    told = workshop.in_force().calendar.day_of(NOW) + timedelta(days=14)
    assert f"Tell them: it was until {short_day(told, NEAR)}" in words(page)
    assert f'href="/pieces/copy/{made.copy().id + 1}"' in page.text


@pytest.mark.parametrize(("look_on", "drops"), [("2026-03-17", True), ("2026-03-06", False)])
def test_a_hold_of_ours_ends_a_range_that_it_makes_untrue_with_the_hold_itself(
    desk: Browser, workshop: ClockedWorkshop, look_on: str, drops: bool
) -> None:
    made = running_late(workshop, since=None, end=14, computed=11)
    _keep_told(workshop, facts(workshop, made), NOW)
    form = {"whose": "studio", "reason": "the oven is down", "look_on": look_on, "about": "order"}
    assert desk.post(f"/orders/{made.number}/hold", form).status_code == 303
    shown = facts(workshop, made)[0].shown
    assert shown is not None
    assert shown.longer is drops
    assert (SECTION in words(desk.get("/waiting"))) is drops
