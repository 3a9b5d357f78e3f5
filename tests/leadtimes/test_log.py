"""Stays of a whole log as arrays: topping up, flow, months, the split of a lead time."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.leadtimes.log import (
    CANCELLED,
    DAY,
    FINISHED,
    MOVED,
    OPEN,
    StayLog,
    Transitions,
    by_month_of_finishing,
    by_month_of_starting,
    cases,
    cumulative_flow,
    empty_log,
    make_log,
    mean_split,
    top_up,
)

STEPS = ["shaping", "painting", "received", "given up"]
FINISHED_AT, GIVEN_UP_AT = {2}, {3}


def moves(*rows: tuple[int, int, int, float]) -> Transitions:
    number, piece, step, happened = zip(*rows, strict=True)
    return Transitions(
        np.array(number), np.array(piece), np.array(step), np.array(happened, dtype=float)
    )


def taken_in(*rows: tuple[int, int, int, float]) -> StayLog:
    return top_up(empty_log(STEPS), moves(*rows), FINISHED_AT, GIVEN_UP_AT)


def same(one: StayLog, other: StayLog) -> bool:
    return all(
        np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True)
        for name in ("piece", "step", "entered", "left", "outcome", "last_transition")
    )


def test_a_stay_lasts_until_the_next_move_and_the_end_is_no_stay() -> None:
    log = taken_in(
        (1, 7, 0, 10.0), (2, 7, 1, 30.0), (3, 7, 2, 60.0), (4, 8, 0, 20.0), (5, 8, 3, 25.0)
    )
    assert log.piece.tolist() == [7, 7, 8]
    assert log.left.tolist() == [30, 60, 25]
    assert log.outcome.tolist() == [MOVED, FINISHED, CANCELLED]
    assert cases(log).lead_time.tolist() == [50, 5]


ROUTES = st.lists(st.lists(st.integers(0, 1), min_size=1, max_size=5), min_size=1, max_size=6)


@given(ROUTES, st.integers(0, 30), st.booleans())
def test_topping_up_in_two_goes_is_topping_up_in_one(
    routes: list[list[int]], first: int, ended: bool
) -> None:
    rows = [(piece, step) for piece, route in enumerate(routes) for step in [*route, *[2] * ended]]
    table = [(n + 1, piece, step, float(n)) for n, (piece, step) in enumerate(rows)]
    whole = taken_in(*table)
    cut = min(first, len(table) - 1)
    half = taken_in(*table[:cut]) if cut else empty_log(STEPS)
    assert same(top_up(half, moves(*table), FINISHED_AT, GIVEN_UP_AT), whole)


def test_nothing_new_changes_nothing() -> None:
    log = taken_in((1, 7, 0, 10.0))
    assert top_up(log, moves((1, 7, 0, 10.0)), FINISHED_AT, GIVEN_UP_AT) is log


def test_what_reaches_back_asks_for_the_log_to_be_made_anew() -> None:
    log = taken_in((1, 7, 0, 10.0), (2, 8, 0, 10.0), (3, 8, 2, 20.0))
    with pytest.raises(ValueError, match="reaches back"):
        top_up(log, moves((4, 7, 1, 5.0)), FINISHED_AT, GIVEN_UP_AT)
    with pytest.raises(ValueError, match="after its end"):
        top_up(log, moves((4, 8, 1, 30.0)), FINISHED_AT, GIVEN_UP_AT)


def test_an_end_that_was_taken_back_is_no_end() -> None:
    log = taken_in((1, 7, 0, 10.0), (2, 7, 2, 20.0), (3, 7, 0, 21.0))
    assert log.outcome.tolist() == [MOVED, OPEN]
    assert np.isnan(cases(log).ended).all()


def test_a_piece_with_one_open_stay_is_open_however_its_others_ended() -> None:
    log = make_log([1, 1], [0, 1], [0, 5], [np.nan, 9], steps=STEPS)
    assert log.outcome.tolist() == [OPEN, MOVED]


def test_cumulative_flow_counts_who_is_where() -> None:
    log = make_log([1, 1, 2], [0, 1, 0], [0, 5, 3], [5, 9, np.nan], steps=STEPS)
    assert cumulative_flow(log, [-1, 0, 4, 5, 9]).tolist()[:2] == [[0, 1, 2, 1, 1], [0, 0, 0, 1, 0]]


PARTS = st.lists(
    st.tuples(st.integers(0, 5), st.integers(0, 3), st.integers(0, 10**7)), min_size=1, max_size=40
)


@given(PARTS)
def test_the_parts_of_a_lead_time_add_up_exactly(parts: list[tuple[int, int, int]]) -> None:
    piece, kind, seconds = zip(*parts, strict=True)
    split = mean_split(piece, kind, seconds, kinds=4)
    assert split.seconds.sum() == sum(seconds)
    exact = sum(seconds) / (len(set(piece)) * DAY) * 10
    assert abs(int(split.rounded().sum()) - exact) <= 0.5 + 1e-6


def test_a_split_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="no piece"):
        mean_split([], [], [], kinds=2)


def test_months_of_finishing_and_of_starting_tell_two_things() -> None:
    days = np.array([0.0, 1, 2, 40])
    left = np.array([10.0, 45, np.nan, np.nan])
    log = make_log([1, 2, 3, 4], [0] * 4, days * DAY, left * DAY, steps=STEPS)
    edges = np.array([0, 30, 60]) * DAY
    first, second = by_month_of_finishing(log, edges)
    assert (first.days.tolist(), first.median) == ([10], 10)
    assert (second.days.tolist(), second.slow) == ([44], 44)
    started, later = by_month_of_starting(log, edges, now=50 * DAY)
    assert started.times.tolist() == [10, 44]
    assert started.at_risk.tolist() == [3, 2]
    assert later.times.size == 0


def test_a_month_without_ends_has_no_points() -> None:
    months = by_month_of_finishing(make_log([1], [0], [0.0], [np.nan], steps=STEPS), [0, DAY])
    assert (months[0].days.size, months[0].median) == (0, None)
