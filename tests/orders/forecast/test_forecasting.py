"""Forecasts of open orders: computed beside the requests, stored, honest about what they rest on."""

import json
import threading
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import insert

from app.flow.steps import PHOTO_STEPS, Step
from app.leadtimes.forecast.levels import POINTS
from app.orders.forecast import record
from app.orders.forecast import worker as forecasting
from app.orders.forecast.figuring import Figures, figure
from app.shared.child import Stopped
from app.studio import actions
from app.studio.as_form import TypedClosure
from app.tables import carriers, settings
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, move, rows, walk
from tests.staff.browser import ClockedWorkshop

STORED = "SELECT order_id, points, basis, stale FROM forecasts ORDER BY order_id"


def stored(workshop: ClockedWorkshop) -> dict[int, tuple[dict[str, float], str, int]]:
    return {
        int(str(order)): (json.loads(str(points)), str(basis), int(str(stale)))
        for order, points, basis, stale in rows(workshop.database, STORED)
    }


def in_painting(workshop: ClockedWorkshop, **fields: object) -> MadeOrder:
    wanted = [Wanted(step=Step.READY, copy_step=Step.PAINTING)]
    return make_order(workshop.database, CAST.desk, workshop.moment, wanted, **fields)


def test_every_open_order_gets_its_points_and_what_they_rest_on(workshop: ClockedWorkshop) -> None:
    wanted = make_order(workshop.database, CAST.desk, NOW)
    painting = in_painting(workshop)
    closed = in_painting(workshop)
    walk(
        workshop.database,
        closed.copy(),
        CAST.desk,
        NOW,
        "painted",
        "passed",
        "handed_over",
        "received",
    )
    assert forecasting.missing(workshop)
    assert forecasting.compute(workshop, figure) == 2
    assert not forecasting.missing(workshop)
    found = stored(workshop)
    assert set(found) == {wanted.id, painting.id}
    for points, basis, stale in found.values():
        assert list(points) == ["5", "10", "25", "50", "75", "85", "90", "95"]
        assert list(points.values()) == sorted(points.values())
        assert (basis, stale) == ("from what is usual in the trade", 0)
    assert found[painting.id][0]["50"] < found[wanted.id][0]["50"]


def test_our_usual_weeks_are_told_until_our_own_record_speaks(workshop: ClockedWorkshop) -> None:
    wanted = make_order(workshop.database, CAST.desk, NOW)
    typed = {"usual_weeks_from": 6, "usual_weeks_to": 10}
    forecasting.compute(workshop, figure)
    actions.save_some(workshop.database, typed, CAST.owner, NOW)
    workshop.forget()
    assert stored(workshop)[wanted.id][2] == 1, "it is worked out anew"
    forecasting.compute(workshop, figure)
    points, basis, _ = stored(workshop)[wanted.id]
    assert (points["10"], points["85"]) == (pytest.approx(42, abs=1), pytest.approx(70, abs=1))
    assert basis == "from our usual weeks"


def test_an_order_of_which_all_has_left_gets_no_range(workshop: ClockedWorkshop) -> None:
    gone = in_painting(workshop, needed_by="2026-03-20")
    two = make_order(workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copies=2,
                                                         copy_step=Step.PACKING)])  # fmt: skip
    forecasting.compute(workshop, figure)
    assert stored(workshop)[gone.id][0]
    assert gone.id in workshop.chances()
    walk(workshop.database, gone.copy(), CAST.desk, NOW, "painted", "passed", "handed_over")
    move(workshop.database, two.copy(), CAST.desk, NOW + 9, "handed_over")
    forecasting.compute(workshop, figure)
    assert stored(workshop)[gone.id] == ({}, "", 0)
    assert stored(workshop)[two.id][0]
    assert workshop.chances() == {}
    assert not forecasting.missing(workshop)


def test_before_photos_pass_the_points_count_from_their_passing(workshop: ClockedWorkshop) -> None:
    wanted = make_order(workshop.database, CAST.desk, NOW - 30 * DAY)
    forecasting.compute(workshop, figure)
    first = stored(workshop)[wanted.id][0]
    workshop.moment += 30 * DAY
    forecasting.compute(workshop, figure)
    assert stored(workshop)[wanted.id][0] == first, "waiting for photos does not shorten the making"
    assert list(first.values()) == pytest.approx(list(workshop.days_from_passing() or []), abs=0.01)


def test_what_moved_while_it_was_computed_is_marked_to_be_computed_again(
    workshop: ClockedWorkshop,
) -> None:
    first, second = in_painting(workshop), in_painting(workshop)
    with workshop.database.reading() as db:
        last = record.last_transition(db)
    move(workshop.database, second.copy(), CAST.painter, NOW + 60, "painted")
    entering = ([10.0 + n for n in range(len(POINTS))], "defaults")
    found = {made.id: entering for made in (first, second)}
    forecasting._store(workshop, last, 0, found, NOW + 90)
    assert {order: stale for order, (_, _, stale) in stored(workshop).items()} == {
        first.id: 0, second.id: 1,
    }  # fmt: skip


def test_a_page_is_written_again_only_where_its_forecast_says_something_else(
    workshop: ClockedWorkshop,
) -> None:
    made = in_painting(workshop)
    forecasting.compute(workshop, figure)
    wanted = rows(workshop.database, "SELECT wanted FROM status_pages")
    forecasting.compute(workshop, figure)
    assert rows(workshop.database, "SELECT wanted FROM status_pages") == wanted
    workshop.moment += 2 * DAY
    move(workshop.database, made.copy(), CAST.painter, workshop.moment, "painted")
    after = rows(workshop.database, "SELECT wanted FROM status_pages")
    forecasting.compute(workshop, figure)
    assert rows(workshop.database, "SELECT wanted FROM status_pages") == [
        (int(str(after[0][0])) + 1,)
    ]


def test_a_needed_day_gets_its_chance_and_it_falls(workshop: ClockedWorkshop) -> None:
    made = in_painting(workshop, needed_by="2026-03-20")
    late = in_painting(workshop, needed_by="2026-03-05")
    forecasting.compute(workshop, figure)
    first = workshop.chances()[made.id]
    assert 0 < workshop.chances()[late.id] < first < 1
    workshop.moment += 10 * DAY
    forecasting.compute(workshop, figure)
    assert workshop.chances()[made.id] < first
    assert workshop.chances()[late.id] == 0


def test_the_chance_of_what_waits_for_photos_allows_for_their_usual_days(
    workshop: ClockedWorkshop,
) -> None:
    """By the trade photos are 11 days away: so the chance is that of a day 11 days sooner."""
    waiting = make_order(workshop.database, CAST.desk, NOW, needed_by="2026-04-15")
    passed = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.FINISHING)], needed_by="2026-04-15"
    )
    sooner = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.FINISHING)], needed_by="2026-04-04"
    )
    forecasting.compute(workshop, figure)
    chance = workshop.chances()
    assert sum(workshop.pace()[step][0] for step in PHOTO_STEPS) == 11
    assert 0 < chance[waiting.id] < chance[passed.id]
    assert chance[waiting.id] == pytest.approx(chance[sooner.id], abs=0.02)


def test_pace_and_days_from_passing_are_kept_for_the_pages(workshop: ClockedWorkshop) -> None:
    assert workshop.days_from_passing() is None
    assert forecasting.chance_of_new(workshop, date(2026, 6, 1), "") == ""
    forecasting.compute(workshop, figure)
    assert len(workshop.days_from_passing() or []) == len(POINTS)
    assert workshop.pace()[Step.PAINTING] == (13, 20, False)


@pytest.mark.parametrize(
    ("day", "word"),
    [
        (date(2026, 3, 4), ""),
        (date(2026, 3, 10), "Hardly possible by then"),
        (date(2026, 4, 8), "in 10 to be there by then"),
        (date(2026, 9, 1), "Very likely to be there by then"),
    ],
)
def test_the_word_on_a_day_is_honest_and_says_what_it_assumes(
    workshop: ClockedWorkshop, day: date, word: str
) -> None:
    forecasting.compute(workshop, figure)
    said = forecasting.chance_of_new(workshop, day, "")
    assert word in said
    if word:
        assert "if photos come and pass within 11 days as they usually do" in said
        assert said.endswith("with 1 day on the way.")


def test_the_chance_is_that_of_arriving_not_of_leaving(workshop: ClockedWorkshop) -> None:
    """Ten days on the way to Ireland are ten days that the work does not have."""
    with workshop.database.writing() as db:
        db.execute(insert(settings).values(name="country", value='"GB"', changed_at=NOW))
        db.execute(
            insert(carriers).values(
                name="Tern Parcels", days_are="calendar", home="1", abroad="", place=1,
                countries="IE 5 to 10",
            )
        )  # fmt: skip
    workshop.forget()
    wanted = [Wanted(step=Step.FINISHING)]
    made = {
        (day, country): make_order(
            workshop.database, CAST.desk, NOW, wanted, needed_by=day, ship_country=country
        ).id
        for day, country in (
            ("2026-04-05", "GB"), ("2026-04-05", "Ireland"), ("2026-04-14", "IE"),
            ("2026-04-05", "FR"),
        )
    }  # fmt: skip
    forecasting.compute(workshop, figure)
    chances = {key: workshop.chances()[id_] for key, id_ in made.items()}
    assert chances["2026-04-05", "Ireland"] < chances["2026-04-05", "GB"]
    assert chances["2026-04-14", "IE"] == pytest.approx(chances["2026-04-05", "GB"])
    assert chances["2026-04-05", "FR"] == pytest.approx(chances["2026-04-05", "GB"])
    with workshop.database.reading() as db:
        by = forecasting.chance_by(db, workshop, made["2026-04-05", "Ireland"], date(2026, 4, 5))
    assert by == pytest.approx(chances["2026-04-05", "Ireland"])
    there = forecasting.chance_of_new(workshop, date(2026, 4, 20), "IE")
    here = forecasting.chance_of_new(workshop, date(2026, 4, 11), "")
    assert there.endswith("with 5 to 10 days on the way.")
    assert there.split(" by then")[0] == here.split(" by then")[0]


def test_a_studio_without_orders_is_no_error(workshop: ClockedWorkshop) -> None:
    assert forecasting.compute(workshop, figure) == 0
    assert stored(workshop) == {}


def test_the_worker_computes_and_stops_when_told(workshop: ClockedWorkshop) -> None:
    in_painting(workshop)
    stop = threading.Event()
    worker = threading.Thread(target=forecasting.run, args=(workshop, stop))
    worker.start()
    for _ in range(100):
        if stored(workshop):
            break
        stop.wait(0.1)
    stop.set()
    worker.join(10)
    assert not worker.is_alive()
    assert stored(workshop)


def test_a_closure_has_everything_computed_again_though_no_piece_moved(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = in_painting(workshop)
    asked: list[int] = []

    def ask(studio: Path, now: int) -> Figures:
        asked.append(now)
        if len(asked) == 1:  # a word from the owner while the figures are worked out
            days = TypedClosure(
                first_day=date(2026, 3, 5), last_day=date(2026, 3, 18), reason="a roof"
            )
            actions.add_closure(workshop.database, days, CAST.owner, now)
            workshop.forget()
        return figure(studio, now)

    monkeypatch.setattr(forecasting, "LOOK_EVERY", 0.02)
    monkeypatch.setattr(forecasting, "in_child", lambda stop: ask)
    stop = threading.Event()
    worker = threading.Thread(target=forecasting.run, args=(workshop, stop))
    worker.start()
    for _ in range(300):
        workshop.moment += forecasting.LEAST_BETWEEN
        if len(asked) > 1 and stored(workshop)[made.id][2] == 0:
            break
        stop.wait(0.05)
    before = len(asked)
    workshop.moment += forecasting.LEAST_BETWEEN
    stop.wait(0.3)
    stop.set()
    worker.join(10)
    assert len(asked) == before == 2
    assert stored(workshop)[made.id][0]["50"] > 14


@given(
    st.lists(st.floats(0.1, 400), min_size=len(POINTS), max_size=len(POINTS)).map(sorted),
    st.floats(-10, 500), st.floats(0, 50),
)  # fmt: skip
def test_a_chance_lies_between_nothing_and_the_last_point_and_grows_with_the_days(
    points: list[float], days: float, more: float
) -> None:
    found = list(points)
    chance = forecasting.chance_within(found, days)
    assert 0 <= chance <= POINTS[-1]
    assert forecasting.chance_within(found, days + more) >= chance - 1e-12
    assert forecasting.chance_within(found, found[-1] + more) == pytest.approx(POINTS[-1])
    assert forecasting.chance_within(found, 0) == 0


def test_the_percents_are_those_of_the_forecast() -> None:
    assert [p / 100 for p in forecasting.PERCENTS] == pytest.approx(list(POINTS))


def test_a_child_process_works_out_the_same_figures(workshop: ClockedWorkshop) -> None:
    in_painting(workshop)
    assert forecasting.in_child()(workshop.folder.database_file, NOW) == figure(
        workshop.folder.database_file, NOW
    )


def test_a_house_that_closes_does_not_wait_for_its_child(workshop: ClockedWorkshop) -> None:
    stop = threading.Event()
    stop.set()
    with pytest.raises(Stopped):
        forecasting.in_child(stop)(workshop.folder.database_file, NOW)
