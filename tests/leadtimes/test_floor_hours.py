"""Open hours: against the studio's calendar, against plain sums, and one case worked by hand."""

from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.leadtimes.floor import Floor, FloorPiece, FloorStep, OpenHours, simulate
from app.shared.calendar import Calendar

VIENNA = ZoneInfo("Europe/Vienna")
WEEK = {day: ((time(9), time(12)), (time(12, 30), time(17))) for day in range(5)}
CALENDAR = Calendar(VIENNA, WEEK, frozenset({date(2031, 4, 14)}))  # Easter Monday


def at(*when: int) -> int:
    return int(datetime(*when, tzinfo=VIENNA).timestamp())


def constant(hours: float) -> np.ndarray:
    return np.full(3, hours)


def test_two_pieces_over_a_clock_change_and_a_holiday_are_ready_to_the_second():
    """Worked by hand. On Friday 28 March 2031 at 15:00 a painter has two pieces of 10 h each and
    works 9 to 17; on the 30th the clock is put forward; Monday 14 April is a holiday.

    A: 2 h on Friday, 8 h on Monday: Monday 17:00. It is 74 h later by the wall, 73 h by the clock.
    It then dries 290 h (day and night): Saturday 12 April 19:00.
    It is packed in 1 h: Monday is a holiday, so Tuesday 9:00 to 10:00.
    B: 8 h on Tuesday, 2 h on Wednesday 2 April: 11:00. Dry on Monday 14 April 13:00. Packed after A,
    as it waits for the same hands: Tuesday 10:00 to 11:00.
    """
    calendar = Calendar(
        VIENNA, {d: ((time(9), time(17)),) for d in range(5)}, frozenset({date(2031, 4, 14)})
    )
    now = at(2031, 3, 28, 15)
    hours = OpenHours.from_calendar(calendar, now)
    steps = (
        FloorStep("painting", constant(10), people=1, hours=hours),
        FloorStep("drying", constant(290)),
        FloorStep("packing", constant(1), people=1, hours=hours),
    )
    pieces = (FloorPiece("A", "painting"), FloorPiece("B", "painting", oldest=1))
    painted = tuple(FloorPiece(p.key, p.step, "painting", oldest=p.oldest) for p in pieces)
    ready = simulate(Floor(steps, painted), 2).ready[0] * 3600 + now
    assert list(ready) == [at(2031, 3, 31, 17), at(2031, 4, 2, 11)]
    assert simulate(Floor(steps, painted), 2).ready[0, 0] == 73
    ready = simulate(Floor(steps, pieces), 2).ready[0] * 3600 + now
    assert list(ready) == [at(2031, 4, 15, 10), at(2031, 4, 15, 11)]


def test_the_intervals_hold_the_same_seconds_as_the_calendar():
    now = at(2031, 3, 27, 10, 20)
    hours = OpenHours.from_calendar(CALENDAR, now, 400)
    generator = np.random.default_rng(5)
    for second in generator.integers(0, 399 * 86_400, 200):
        worked = CALENDAR.working_seconds(now, now + int(second))
        assert hours.worked(second / 3600) * 3600 == pytest.approx(worked, abs=1e-6)


def test_hours_until_midnight_join_those_after_it():
    calendar = Calendar(VIENNA, {d: ((time(0), time(0)),) for d in range(7)})
    hours = OpenHours.from_calendar(calendar, at(2031, 3, 27, 10), 30)
    assert hours.opens.tolist() == [0]


@given(
    st.lists(st.integers(1, 40), min_size=2, max_size=24).filter(lambda x: len(x) % 2 == 0),
    st.integers(0, 30),
    st.floats(0, 60),
    st.floats(0, 60),
)
def test_work_taken_up_at_any_hour_ends_when_so_many_open_hours_have_passed(gaps, cut, clock, work):
    marks = np.cumsum([*gaps, 4, 8000]) / 4
    hours = OpenHours.of(marks[::2] - cut / 8, marks[1::2] - cut / 8)
    shut = FloorStep("shut", constant(1), people=1, hours=OpenHours.of([3], [4000]))
    step = FloorStep("one", constant(work), people=1, hours=hours)
    pieces = (FloorPiece("A", "one", enters_h=clock),)
    ready = simulate(Floor((shut, step), pieces), 2).ready[0, 0]
    assert ready >= clock
    assert hours.worked(ready) == pytest.approx(hours.worked(clock) + work, abs=1e-9)
    if work > 1e-6:
        assert hours.worked(ready) > hours.worked(ready - 1e-9)  # at closing time, not next morning


def test_a_closure_cuts_what_it_covers_and_nothing_else():
    hours = OpenHours.of([0, 24, 48, 72], [8, 32, 56, 80]).without(28, 50)
    assert hours.opens.tolist() == [0, 24, 50, 72]
    assert hours.closes.tolist() == [8, 28, 56, 80]
    assert OpenHours.always().without(5, 7).closes.tolist() == [5, np.inf]


@pytest.mark.parametrize(
    ("opens", "closes"), [([1, 2], [3, 4]), ([5], [4]), ([1], [2, 3]), ([-9], [-8]), ([], [])]
)
def test_intervals_that_make_no_sense_are_refused(opens, closes):
    with pytest.raises(ValueError):
        OpenHours.of(opens, closes)


def test_work_beyond_the_known_hours_is_refused_not_guessed():
    hours = OpenHours.of([0.0], [8.0], until=1000)
    floor = Floor(
        (FloorStep("one", constant(9), people=1, hours=hours),), (FloorPiece("A", "one"),)
    )
    assert simulate(floor, 2).ready[0, 0] == 9
    late = Floor(
        (FloorStep("one", constant(1001), people=1, hours=hours),), (FloorPiece("A", "one"),)
    )
    with pytest.raises(ValueError, match="known for 42 days"):
        simulate(late, 2)
