"""Is it getting worse: the two spans and the drift, recomputed by hand from ways made up here."""

from datetime import date

import numpy as np
import pytest

from app.leadtimes.log import CANCELLED, FINISHED, OPEN
from app.owner.trend import WEEKS_TO_LEARN, worse
from tests.owner.test_figures import CALENDAR, NOW, some


def left(days_ago, took):
    """A piece that left so many days ago after so many days."""
    return (days_ago + took, took, FINISHED)


def test_two_spans_are_compared_by_what_left_in_them():
    before = [left(100 + n, 20 + n % 5) for n in range(30)]
    after = [left(10 + n, 23 + n % 5) for n in range(30)]
    noise = [(200, 0, OPEN), (50, 10, CANCELLED), left(300, 99)]
    found = worse(some([*before, *after, *noise]), CALENDAR, NOW)
    assert (found.before.pieces, found.now.pieces) == (30, 30)
    assert (found.before.median, found.now.median) == (22, 25)
    assert found.shift.typical == pytest.approx(3, abs=0.05)
    assert found.shift.sure
    assert 1.5 < found.shift.lower < found.shift.upper < 4.5


def test_too_few_on_one_side_are_not_compared():
    found = worse(some([left(10 + n, 20) for n in range(40)]), CALENDAR, NOW)
    assert (found.before.pieces, found.now.pieces, found.shift) == (0, 40, None)
    assert found.drift is None
    assert found.since is None


def weekly(took_by_week, many=4):
    """So many pieces a week that left in each of the weeks up to the one before this, oldest
    first. 20 May 2026 is a Wednesday."""
    weeks = len(took_by_week)
    return [
        left(7 * (weeks - n) - 1 + piece / 10, took)
        for n, took in enumerate(took_by_week)
        for piece in range(many)
    ]


def test_a_slow_drift_begins_in_the_week_from_which_it_lasts():
    usual = [28, 30] * (WEEKS_TO_LEARN // 2)
    creeping = [29 * 1.03**n for n in range(1, 17)]
    found = worse(some(weekly([*usual, *creeping])), CALENDAR, NOW)
    learned = np.log(usual)
    centre = learned.mean()
    sigma = np.abs(np.diff(learned)).mean() / 1.128
    at, expected = centre, []
    for took in creeping:
        at = 0.2 * np.log(took) + 0.8 * at
        expected.append(np.exp(at))
    assert [week.average for week in found.weeks] == pytest.approx(expected, rel=1e-3)
    assert found.drift.upper == pytest.approx(np.exp(centre + 3 * sigma / 3), rel=1e-3)
    first = next(n for n, value in enumerate(expected) if value > found.drift.upper)
    assert found.weeks[first].start == found.since
    assert found.weeks[-1].start == date(2026, 5, 11), "the week that runs is not whole yet"
    assert found.weeks[-1].outside


def test_the_usual_up_and_down_is_no_drift():
    found = worse(some(weekly([28, 30, 29, 31] * 10)), CALENDAR, NOW)
    assert (found.learned, len(found.weeks)) == (20, 20), "the older half is learned from"
    assert found.since is None
    assert not any(week.outside for week in found.weeks)


def test_weeks_with_hardly_a_piece_are_left_out():
    found = worse(some(weekly([28, 30] * 20, many=2)), CALENDAR, NOW)
    assert found.drift is None
    assert found.weeks == ()
