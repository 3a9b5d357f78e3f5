"""Open time: closed days hardly count, and every moment comes back."""

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.leadtimes.open_time import LEAST_SHARE, USUAL_SHARE, OpenTime, share_when_closed

DAY = 86_400.0
HOUR = 3_600


def utc(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def spans(edges: list[int], share: float) -> OpenTime:
    """Closed spans from an even number of rising edges."""
    line = np.array(edges[: len(edges) // 2 * 2], dtype=float).reshape(-1, 2)
    return OpenTime(line[:, 0], line[:, 1], share)


EDGES = st.lists(st.integers(1_600_000_000, 1_900_000_000), max_size=12, unique=True).map(sorted)
MOMENTS = st.lists(st.floats(1_500_000_000, 2_000_000_000), min_size=1, max_size=20)


@given(EDGES, st.floats(LEAST_SHARE, 1), MOMENTS)
def test_every_moment_comes_back_and_none_overtakes_another(
    edges: list[int], share: float, moments: list[float]
) -> None:
    time, when = spans(edges, share), np.sort(moments)
    opened = time.to_open(when)
    # A float of this century tells quarters of a microsecond; a share of 1/50 makes fifty of one.
    assert time.to_real(opened) == pytest.approx(when, rel=0, abs=5e-5)
    assert (np.diff(opened) >= 0).all()
    assert (np.diff(opened) >= share * np.diff(when) - 1e-5).all()


@given(EDGES, st.floats(LEAST_SHARE, 1), st.integers(1_500_000_000, 2_000_000_000))
def test_closed_seconds_are_counted_as_they_lie(edges: list[int], share: float, when: int) -> None:
    time = spans(edges, share)
    closed = sum(
        max(0, min(when, end) - start)
        for start, end in zip(time.starts.tolist(), time.ends.tolist(), strict=True)
    )
    assert time.closed_before(when) == closed


def test_over_a_clock_change_and_a_holiday_to_the_second() -> None:
    """London, spring of 2026. From Saturday 28 March, noon (UTC), to Saturday 4 April, noon (11:00
    UTC, for the clock goes forward on the 29th): 7 x 24 - 1 = 167 hours pass. Good Friday, the 3rd,
    is closed from 2 April 23:00 UTC on for 24 hours, which at a share of 0.25 count as 6: 149 open
    hours, 536 400 seconds.
    """
    good_friday = OpenTime(
        np.array([utc("2026-04-02T23:00")]), np.array([utc("2026-04-03T23:00")]), 0.25
    )
    start, end = utc("2026-03-28T12:00"), utc("2026-04-04T11:00")
    assert end - start == 167 * HOUR
    assert good_friday.to_open(end) - good_friday.to_open(start) == 149 * HOUR == 536_400
    # Six hours into Good Friday is an hour and a half of open time into it.
    morning = good_friday.to_open(utc("2026-04-02T23:00")) + 1.5 * HOUR
    assert good_friday.to_real(morning) == utc("2026-04-03T05:00")
    days = good_friday.days_after(start, np.array([149 * HOUR / DAY]))
    assert days[0] * DAY == pytest.approx(167 * HOUR, abs=1e-3)


def test_what_is_open_stays_open() -> None:
    time = spans([1_600_000_000, 1_600_086_400], 0.5)
    assert np.isnan(time.to_open(np.nan))
    assert np.isnan(OpenTime(np.zeros(0), np.zeros(0)).to_open([np.nan])).all()


# ---------------------------------------------------------------- the pace in closures


def worked(share: float, stays: int) -> tuple[np.ndarray, np.ndarray, OpenTime]:
    """Stays of 10 open days on average, in a house that is closed for every fourth week."""
    weeks = np.arange(0, 400, 4) * 7 * DAY
    time = OpenTime(weeks, weeks + 7 * DAY, share)
    generator = np.random.default_rng(2)
    entered = generator.random(stays) * 300 * 7 * DAY
    left = time.to_real(time.to_open(entered) + generator.exponential(10 * DAY, stays))
    return entered, left, time


@pytest.mark.parametrize("share", [0.05, 0.3, 1.0])
def test_the_pace_in_closures_is_read_from_the_record(share: float) -> None:
    entered, left, time = worked(share, 20_000)
    now = 200 * 7 * DAY
    assert share_when_closed(entered, left, time, now) == pytest.approx(share, rel=0.08)
    known = np.where(left <= now, left, np.nan)
    before = entered <= now
    assert share_when_closed(entered, left, time, now) == share_when_closed(
        entered[before], known[before], time, now
    ), "what comes later is not looked at"


def test_with_few_stays_the_usual_pace_is_believed() -> None:
    entered, left, time = worked(0.5, 5)
    assert share_when_closed(entered, left, time, 1e12) < 0.25
    assert share_when_closed([], [], time, 0) == USUAL_SHARE
    never = OpenTime(np.zeros(0), np.zeros(0))
    assert share_when_closed(entered, left, never, 1e12) == USUAL_SHARE
