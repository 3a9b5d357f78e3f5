"""Pieces that came under watch late count from then on only: delayed entry, in curves and usual."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, reject, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from lifelines.exceptions import StatError

from app.leadtimes.forecast.curves import Hazard, fit_reached, fit_since_step, fit_whole
from app.leadtimes.forecast.paths import Paths, paths_of
from app.leadtimes.forecast.pieces import forecast_with_record
from app.leadtimes.log import DAY, StayLog, make_log
from app.leadtimes.survival import Floats
from app.leadtimes.usual import usual_and_slow
from tests.leadtimes import lines

NOW = 400.0


def taken_over(seed: int, pieces: int = 120) -> StayLog:
    """Pieces of two steps that began over 300 days, in a house that began to write on day 150:
    what had ended by then was never written down, what was open came under watch that day.
    """
    generator = np.random.default_rng(seed)
    begun = np.sort(generator.random(pieces) * 300)
    first, second = generator.weibull(1.3, (2, pieces)) * 60 + 0.01
    known = begun + first + second > 150
    piece = np.repeat(np.arange(pieces), 2)[np.repeat(known, 2)]
    entered = np.stack((begun, begun + first), axis=1)[known].ravel()
    left = np.stack((begun + first, begun + first + second), axis=1)[known].ravel()
    watched = np.repeat(np.where(begun < 150, 150, np.nan)[known], 2)
    there = entered <= NOW
    left = np.where(left <= NOW, left, np.nan)
    return make_log(
        piece[there], (np.arange(piece.size) % 2)[there], entered[there] * DAY, left[there] * DAY,
        steps=["shaping", "painting"], watched_from=watched[there] * DAY,
    )  # fmt: skip


def days(log: StayLog) -> tuple[Paths, float]:
    paths = paths_of(log)
    return paths, NOW - paths.base / DAY


def same_as_lifelines(hazard: Hazard, exit: Floats, seen: np.ndarray, entry: Floats) -> None:
    """The curve at every event, and that the rows are right as this file counts them."""
    at_risk = entry < exit
    try:
        theirs = KaplanMeierFitter().fit(exit[at_risk], seen[at_risk], entry=entry[at_risk])
    except StatError:
        reject()  # it refuses rows that all end before the next comes under watch
    when = np.unique(exit[at_risk & seen]) + 1e-7  # past the last digits of a difference
    expected = theirs.survival_function_at_times(when).to_numpy()
    # A curve that fell to nothing is kept as a very great hazard.
    assert np.exp(-hazard.grown(when)) == pytest.approx(expected, abs=1e-9)


@given(st.integers(0, 10_000))
@example(4143)  # lifelines refuses one of its curves
@settings(max_examples=25, deadline=None)
def test_curves_of_pieces_that_came_late_equal_lifelines_with_entry(seed: int) -> None:
    paths, now = days(taken_over(seed))
    seen, exit = np.isfinite(paths.ended), np.minimum(paths.ended, now) - paths.started
    late = np.maximum(paths.watched - paths.started, 0)
    same_as_lifelines(fit_whole(paths, now).hazard, exit, seen, late)
    reached, since_step = fit_reached(paths, now, 0.0), fit_since_step(paths, now, 0.0)
    for step in (0, 1):
        mine = paths.step == step
        piece = paths.piece[mine]
        entry = np.maximum(late[piece], paths.age[mine])
        same_as_lifelines(reached.hazards[step], exit[piece], seen[piece], entry)
        left = exit[piece] - paths.age[mine]
        entry = np.maximum(late[piece] - paths.age[mine], 0)
        same_as_lifelines(since_step.hazards[step], left, seen[piece], entry)


def test_without_delayed_entry_what_was_slow_to_begin_with_would_make_everything_slow() -> None:
    log = taken_over(3, pieces=4000)
    (paths, now), (blind, _) = days(log), days(replace(log, watched_from=None))
    truth = np.median(np.random.default_rng(1).weibull(1.3, (2, 200_000)).sum(axis=0) * 60)
    right, wrong = (
        float(fit_whole(some, now).hazard.remaining(np.zeros(1), np.array([0.5]))[0, 0])
        for some in (paths, blind)
    )
    assert right == pytest.approx(truth, rel=0.05)
    assert wrong > 1.1 * truth


def test_nobody_forecast_a_piece_before_it_was_known() -> None:
    log = make_log([1], [0], [0.0], [np.nan], steps=["a"], watched_from=[10 * DAY])
    paths = paths_of(log)
    assert [len(paths.open_at(day)) for day in (5.0, 10.0, 15.0)] == [0, 1, 1]


@pytest.mark.parametrize("name", ["stationary line", "rework loops", "40 pieces"])
def test_a_watch_from_the_start_changes_no_bit(name: str) -> None:
    log = lines.ASKED[name](np.random.default_rng(5))
    always = replace(log, watched_from=np.full(len(log), np.nan))
    now = float(log.entered.max())
    plain, told = (
        forecast_with_record(some, now, None, np.random.default_rng(1))[0] for some in (log, always)
    )
    assert all((a.levels == b.levels).all() for a, b in zip(plain, told, strict=True))


def test_marks_follow_their_stays_into_the_paths() -> None:
    log = make_log(
        [2, 1, 1], [0, 1, 0], [5.0, 9, 0], [np.nan, np.nan, 9], steps=["a", "b"],
        marks={"copies": [3, 2, 1], "asked": [0, np.nan, 1]},
    )  # fmt: skip
    paths = paths_of(log)
    assert np.array_equal(paths.marks, [[1, 1], [2, np.nan], [3, 0]], equal_nan=True)
    assert paths_of(make_log([1], [0], [0.0], [1.0], steps=["a"])).marks.shape == (1, 0)


def test_a_stay_that_was_given_up_says_only_that_the_step_takes_longer() -> None:
    left = np.arange(1, 31) * DAY
    given_up = np.arange(30) % 3 == 0
    found = usual_and_slow(np.zeros(30), left, now=100 * DAY, given_up=given_up)
    curve = KaplanMeierFitter().fit(left / DAY, ~given_up)
    assert found is not None
    assert found.median == curve.median_survival_time_
    assert (found.stays, found.still_open) == (30, 0)


def test_a_stay_that_ended_before_the_watch_is_no_evidence() -> None:
    left = np.full(25, 10 * DAY)
    known = np.where(np.arange(25) < 6, 50 * DAY, np.nan)
    assert usual_and_slow(np.zeros(25), left, now=100 * DAY, known_from=known) is None
    assert usual_and_slow(np.zeros(25), left, now=100 * DAY) is not None
