"""When a run should end, how busy a machine was, and the order of the queue, by any history."""

import random
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.flow.queue import QueueFacts, place
from app.flow.rules import Entry, Kind, effective
from app.flow.steps import Step
from app.moving.build_times import DEFAULT, HOUR, BuildRun, busy, runs_of, times

SECONDS = st.integers(600, 3 * 86_400)


def finished(pictures: int | None, seconds: int, at: int = 0) -> BuildRun:
    return BuildRun(1, 1, at, at + seconds, "build_finished", pictures)


def test_below_twenty_runs_the_default_holds_and_grows_with_the_pictures() -> None:
    few = times([finished(40, HOUR)] * 19)
    assert few == DEFAULT
    assert few.own == 0
    assert few.of(60).first == 8 * HOUR
    assert few.of(60).last == 23 * HOUR
    assert few.of(None) == few.of(60)
    assert few.of(120).last > few.of(30).last


def test_stopped_and_failed_runs_say_nothing_of_how_long_a_whole_one_takes() -> None:
    cut = [BuildRun(1, n, 0, 60, "build_stopped", 40) for n in range(50)]
    whole = [finished(40, 10 * HOUR)] * 25
    assert times([*cut, *whole]) == times(whole)
    assert times(cut) == DEFAULT


def test_the_line_and_its_edges_are_those_of_numpy() -> None:
    dice = np.random.default_rng(5)
    pictures = dice.integers(20, 120, 80)
    seconds = (600 * pictures * np.exp(dice.normal(0, 0.3, 80))).astype(int)
    found = times(finished(int(n), int(s)) for n, s in zip(pictures, seconds, strict=True))
    slope, level = np.polyfit(np.log(pictures), np.log(seconds), 1)
    left = np.log(seconds) - (slope * np.log(pictures) + level)
    for asked in (25, 60, 110):
        low, high = np.exp(level + slope * np.log(asked) + np.quantile(left, [0.1, 0.85]))
        its = found.of(asked)
        assert its.first <= low <= its.first + 900
        assert its.last - 900 <= high <= its.last


def test_as_many_runs_lie_in_the_range_as_it_says() -> None:
    dice = random.Random(11)

    def one() -> BuildRun:
        pictures = dice.randint(20, 120)
        return finished(pictures, int(500 * pictures * dice.lognormvariate(0, 0.4)))

    found = times(one() for _ in range(400))
    inside = 0
    for run in [one() for _ in range(2_000)]:
        its = found.of(run.pictures)
        inside += its.first <= run.ended - run.started <= its.last
    assert 0.71 < inside / 2_000 < 0.80


@given(
    st.lists(st.tuples(st.one_of(st.none(), st.integers(1, 400)), SECONDS), max_size=60),
    st.one_of(st.none(), st.integers(1, 20_000)),
)
def test_a_range_goes_forwards_and_is_in_quarter_hours(history, pictures) -> None:
    its = times([finished(n, seconds) for n, seconds in history]).of(pictures)
    assert 0 < its.first < its.last
    assert its.first % 900 == 0
    assert its.last % 900 == 0
    assert its.own == (len(history) if len(history) >= 20 else 0)


@given(st.lists(SECONDS, min_size=20, max_size=60), st.integers(1, 500))
def test_with_one_number_of_pictures_the_range_is_the_plain_quantiles(history, pictures) -> None:
    its = times([finished(pictures, seconds) for seconds in history]).of(pictures)
    low, high = np.exp(np.quantile(np.log(history), [0.1, 0.85]))
    assert its.first <= max(900, low * 1.0001)
    assert its.last >= high * 0.9999 - 1
    assert its.last <= max(high + 900, its.first + 900)


@given(
    st.lists(st.tuples(st.integers(0, 1_000), st.integers(0, 300)), max_size=12),
    st.integers(0, 500),
    st.integers(0, 800),
)
def test_busy_hours_are_those_counted_second_by_second(spans, since, length) -> None:
    until = since + length
    runs = [BuildRun(1, n, a, a + long, "build_finished") for n, (a, long) in enumerate(spans)]
    ran = sum(any(r.started <= second < r.ended for r in runs) for second in range(since, until))
    found = busy(runs, since, until)
    assert round(found.hours * HOUR) == ran
    assert found.share is None if length == 0 else found.share == pytest.approx(ran / length)


def entry(id_: int, kind: Kind, move: str = "", to: Step | None = None, **more) -> Entry:
    return Entry(id_, id_, kind, id_ * 100, id_ * 100, to, move, **more)


def test_pictures_are_those_counted_by_the_start_and_more_views_join_them() -> None:
    log = [
        entry(1, Kind.ENTER, to=Step.PHOTOS_WANTED),
        entry(2, Kind.MOVE, "photos_counted", Step.PHOTOS_IN, amount=30),
        entry(3, Kind.MOVE, "build_started", Step.BUILDING),
        entry(4, Kind.MOVE, "build_failed", Step.ASSESSING),
        entry(5, Kind.MOVE, "more_views", Step.PHOTOS_WANTED),
        entry(6, Kind.MOVE, "photos_counted", Step.PHOTOS_IN, amount=12),
        entry(7, Kind.MOVE, "build_started", Step.BUILDING),
    ]
    assert [(run.pictures, run.outcome) for run in runs_of(9, log)] == [
        (30, "build_failed"), (42, ""),
    ]  # fmt: skip


MOVES = {
    Step.PHOTOS_IN: [("build_started", Step.BUILDING)],
    Step.BUILDING: [
        ("build_finished", Step.ASSESSING), ("build_stopped", Step.PHOTOS_IN),
        ("build_failed", Step.ASSESSING),
    ],
    Step.ASSESSING: [("build_again", Step.PHOTOS_IN), ("more_views", Step.PHOTOS_WANTED)],
    Step.PHOTOS_WANTED: [("photos_counted", Step.PHOTOS_IN)],
}  # fmt: skip


@given(st.lists(st.integers(0, 8), max_size=40))
def test_runs_are_the_stays_at_building_whatever_was_undone(choices) -> None:
    log, step, path = [entry(1, Kind.ENTER, to=Step.PHOTOS_IN)], Step.PHOTOS_IN, []
    for number, choice in enumerate(choices, start=2):
        if choice == 8 and path:
            gone, step = path.pop()
            log.append(entry(number, Kind.UNDO, about_id=gone))
            continue
        key, to = MOVES[step][choice % len(MOVES[step])]
        log.append(entry(number, Kind.MOVE, key, to, amount=5))
        path.append((number, step))
        step = to
    found = runs_of(1, log)
    line = effective(log)
    assert [run.entry for run in found] == [e.id for e in line if e.to_step is Step.BUILDING]
    assert sum(run.ended is None for run in found) == (step is Step.BUILDING)
    assert all(run.ended is None or run.started < run.ended for run in found)


DAYS = st.dates(date(2025, 1, 1), date(2026, 12, 31))
WAITING = st.builds(
    QueueFacts, st.booleans(), st.integers(0, 2), st.one_of(st.none(), DAYS),
    st.one_of(st.none(), st.floats(0, 1)), st.one_of(st.none(), DAYS),
    st.one_of(st.none(), DAYS), DAYS,
)  # fmt: skip


@given(st.lists(WAITING, max_size=12))
def test_the_queue_puts_remakes_first_then_falling_days_then_the_oldest(sets) -> None:
    ranked = sorted(sets, key=lambda one: place(one, str).rank)

    def group(one: QueueFacts) -> int:
        if one.remake or one.reworks:
            return 0
        falling = one.chance is None or one.chance < 0.85
        return 1 if one.needed_by is not None and falling else 2

    groups = [group(one) for one in ranked]
    assert groups == sorted(groups)
    pressed = [one.needed_by for one in ranked if group(one) == 1]
    assert pressed == sorted(pressed)
    ages = [one.accepted or one.counted or one.began for one in ranked if group(one) == 2]
    assert ages == sorted(ages)
