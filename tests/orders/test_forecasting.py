"""Forecasts of open orders: computed beside the requests, stored, honest about what they rest on."""

import json
import threading
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.flow.steps import PHOTO_STEPS, Step
from app.leadtimes.forecast.levels import POINTS
from app.orders import forecasting, record
from app.orders.figuring import Figures, figure
from app.studio import actions
from app.studio.as_form import Closure
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, move, rows, walk
from tests.staff.browser import Shop

STORED = "SELECT order_id, points, basis, stale FROM forecasts ORDER BY order_id"


def stored(shop: Shop) -> dict[int, tuple[dict[str, float], str, int]]:
    return {
        int(str(order)): (json.loads(str(points)), str(basis), int(str(stale)))
        for order, points, basis, stale in rows(shop.house, STORED)
    }


def in_painting(shop: Shop, **fields: object) -> MadeOrder:
    wanted = [Wanted(step=Step.READY, copy_step=Step.PAINTING)]
    return make_order(shop.house, CAST.desk, shop.moment, wanted, **fields)


def test_every_open_order_gets_its_points_and_what_they_rest_on(shop: Shop) -> None:
    wanted = make_order(shop.house, CAST.desk, NOW)
    painting = in_painting(shop)
    closed = in_painting(shop)
    walk(shop.house, closed.copy(), CAST.desk, NOW, "painted", "passed", "handed_over", "received")
    assert forecasting.missing(shop)
    assert forecasting.compute(shop, figure) == 2
    assert not forecasting.missing(shop)
    found = stored(shop)
    assert set(found) == {wanted.id, painting.id}
    for points, basis, stale in found.values():
        assert list(points) == ["5", "10", "25", "50", "75", "85", "90", "95"]
        assert list(points.values()) == sorted(points.values())
        assert (basis, stale) == ("from what is usual in the trade", 0)
    assert found[painting.id][0]["50"] < found[wanted.id][0]["50"]


def test_an_order_of_which_all_has_left_gets_no_range(shop: Shop) -> None:
    gone = in_painting(shop, needed_by="2026-03-20")
    two = make_order(shop.house, CAST.desk, NOW, [Wanted(step=Step.READY, copies=2,
                                                         copy_step=Step.PACKING)])  # fmt: skip
    forecasting.compute(shop, figure)
    assert stored(shop)[gone.id][0]
    assert gone.id in shop.chances()
    walk(shop.house, gone.copy(), CAST.desk, NOW, "painted", "passed", "handed_over")
    move(shop.house, two.copy(), CAST.desk, NOW + 9, "handed_over")
    forecasting.compute(shop, figure)
    assert stored(shop)[gone.id] == ({}, "", 0)
    assert stored(shop)[two.id][0]
    assert shop.chances() == {}
    assert not forecasting.missing(shop)


def test_before_photos_pass_the_points_count_from_their_passing(shop: Shop) -> None:
    wanted = make_order(shop.house, CAST.desk, NOW - 30 * DAY)
    forecasting.compute(shop, figure)
    first = stored(shop)[wanted.id][0]
    shop.moment += 30 * DAY
    forecasting.compute(shop, figure)
    assert stored(shop)[wanted.id][0] == first, "waiting for photos does not shorten the making"
    assert list(first.values()) == pytest.approx(list(shop.days_from_passing() or []), abs=0.01)


def test_what_moved_while_it_was_computed_is_marked_to_be_computed_again(shop: Shop) -> None:
    first, second = in_painting(shop), in_painting(shop)
    with shop.house.reading() as db:
        last = record.last_transition(db)
    move(shop.house, second.copy(), CAST.painter, NOW + 60, "painted")
    entering = ([10.0 + n for n in range(len(POINTS))], "defaults")
    found = {made.id: entering for made in (first, second)}
    forecasting._store(shop, last, 0, found, NOW + 90)
    assert {order: stale for order, (_, _, stale) in stored(shop).items()} == {
        first.id: 0, second.id: 1,
    }  # fmt: skip


def test_a_page_is_written_again_only_where_its_forecast_says_something_else(shop: Shop) -> None:
    made = in_painting(shop)
    forecasting.compute(shop, figure)
    wanted = rows(shop.house, "SELECT wanted FROM status_pages")
    forecasting.compute(shop, figure)
    assert rows(shop.house, "SELECT wanted FROM status_pages") == wanted
    shop.moment += 2 * DAY
    move(shop.house, made.copy(), CAST.painter, shop.moment, "painted")
    after = rows(shop.house, "SELECT wanted FROM status_pages")
    forecasting.compute(shop, figure)
    assert rows(shop.house, "SELECT wanted FROM status_pages") == [(int(str(after[0][0])) + 1,)]


def test_a_needed_day_gets_its_chance_and_it_falls(shop: Shop) -> None:
    made = in_painting(shop, needed_by="2026-03-20")
    late = in_painting(shop, needed_by="2026-03-05")
    forecasting.compute(shop, figure)
    first = shop.chances()[made.id]
    assert 0 < shop.chances()[late.id] < first < 1
    shop.moment += 10 * DAY
    forecasting.compute(shop, figure)
    assert shop.chances()[made.id] < first
    assert shop.chances()[late.id] == 0


def test_the_chance_of_what_waits_for_photos_allows_for_their_usual_days(shop: Shop) -> None:
    """By the trade photos are 11 days away: so the chance is that of a day 11 days sooner."""
    waiting = make_order(shop.house, CAST.desk, NOW, needed_by="2026-04-15")
    passed = make_order(
        shop.house, CAST.desk, NOW, [Wanted(step=Step.FINISHING)], needed_by="2026-04-15"
    )
    sooner = make_order(
        shop.house, CAST.desk, NOW, [Wanted(step=Step.FINISHING)], needed_by="2026-04-04"
    )
    forecasting.compute(shop, figure)
    chance = shop.chances()
    assert sum(shop.pace()[step][0] for step in PHOTO_STEPS) == 11
    assert 0 < chance[waiting.id] < chance[passed.id]
    assert chance[waiting.id] == pytest.approx(chance[sooner.id], abs=0.02)


def test_pace_and_days_from_passing_are_kept_for_the_pages(shop: Shop) -> None:
    assert shop.days_from_passing() is None
    assert forecasting.chance_of_new(shop, date(2026, 6, 1)) == ""
    forecasting.compute(shop, figure)
    assert len(shop.days_from_passing() or []) == len(POINTS)
    assert shop.pace()[Step.PAINTING] == (6, 12, False)


@pytest.mark.parametrize(
    ("day", "word"),
    [
        (date(2026, 3, 4), ""),
        (date(2026, 3, 10), "Hardly to be done by then"),
        (date(2026, 4, 8), "in 10 to be ready by then"),
        (date(2026, 9, 1), "Very likely to be ready by then"),
    ],
)
def test_the_word_on_a_day_is_honest_and_says_what_it_assumes(
    shop: Shop, day: date, word: str
) -> None:
    forecasting.compute(shop, figure)
    said = forecasting.chance_of_new(shop, day)
    assert word in said
    if word:
        assert said.endswith("if photos come and pass within 11 days as they usually do.")


def test_a_studio_without_orders_is_no_error(shop: Shop) -> None:
    assert forecasting.compute(shop, figure) == 0
    assert stored(shop) == {}


def test_the_worker_computes_and_stops_when_told(shop: Shop) -> None:
    in_painting(shop)
    stop = threading.Event()
    worker = threading.Thread(target=forecasting.run, args=(shop, stop))
    worker.start()
    for _ in range(100):
        if stored(shop):
            break
        stop.wait(0.1)
    stop.set()
    worker.join(10)
    assert not worker.is_alive()
    assert stored(shop)


def test_a_closure_has_everything_computed_again_though_no_piece_moved(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = in_painting(shop)
    asked: list[int] = []

    def ask(studio: Path, now: int) -> Figures:
        asked.append(now)
        if len(asked) == 1:  # a word from the owner while the figures are worked out
            days = Closure(first_day=date(2026, 3, 5), last_day=date(2026, 3, 18), reason="a roof")
            actions.add_closure(shop.house, days, CAST.owner, now)
            shop.forget()
        return figure(studio, now)

    monkeypatch.setattr(forecasting, "LOOK_EVERY", 0.02)
    monkeypatch.setattr(forecasting, "in_child", lambda stop: ask)
    stop = threading.Event()
    worker = threading.Thread(target=forecasting.run, args=(shop, stop))
    worker.start()
    for _ in range(300):
        shop.moment += forecasting.LEAST_BETWEEN
        if len(asked) > 1 and stored(shop)[made.id][2] == 0:
            break
        stop.wait(0.05)
    before = len(asked)
    shop.moment += forecasting.LEAST_BETWEEN
    stop.wait(0.3)
    stop.set()
    worker.join(10)
    assert len(asked) == before == 2
    assert stored(shop)[made.id][0]["50"] > 14


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


def test_a_child_process_works_out_the_same_figures(shop: Shop) -> None:
    in_painting(shop)
    assert forecasting.in_child()(shop.folder.studio, NOW) == figure(shop.folder.studio, NOW)


def test_a_house_that_closes_does_not_wait_for_its_child(shop: Shop) -> None:
    stop = threading.Event()
    stop.set()
    with pytest.raises(forecasting.Ended):
        forecasting.in_child(stop)(shop.folder.studio, NOW)
