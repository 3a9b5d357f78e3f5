"""The usual and the slow stay of a step."""

import numpy as np

from app.leadtimes.log import DAY
from app.leadtimes.usual import usual_and_slow

TWENTY = np.arange(1, 21) * DAY


def test_fewer_than_twenty_stays_say_nothing() -> None:
    assert usual_and_slow(np.zeros(19), TWENTY[:19], now=100 * DAY) is None


def test_with_nobody_open_the_points_are_those_of_the_sample() -> None:
    found = usual_and_slow(np.zeros(20), TWENTY, now=100 * DAY)
    assert found is not None
    assert (found.median, found.slow, found.stays, found.still_open) == (10, 17, 20, 0)


def test_open_stays_make_the_usual_stay_longer() -> None:
    entered = np.zeros(30)
    left = np.concatenate((TWENTY, np.full(10, np.nan)))
    found = usual_and_slow(entered, left, now=30 * DAY)
    assert found is not None
    assert (found.median, found.slow, found.still_open) == (15, None, 10)


def test_what_happened_after_now_is_not_known_yet() -> None:
    entered = np.concatenate((np.zeros(20), np.full(5, 50 * DAY)))
    left = np.concatenate((TWENTY, np.full(5, 51 * DAY)))
    found = usual_and_slow(entered, left, now=10 * DAY)
    assert found is not None
    assert (found.stays, found.still_open, found.median) == (20, 10, 10)


def test_an_imported_stay_counts_from_the_day_it_was_known() -> None:
    entered = np.zeros(40)
    left = np.concatenate((TWENTY, np.full(20, 18.5 * DAY)))
    known = np.concatenate((np.full(20, np.nan), np.full(20, 18 * DAY)))
    found = usual_and_slow(entered, left, now=100 * DAY, known_from=known)
    alone = usual_and_slow(np.zeros(20), TWENTY, now=100 * DAY)
    assert found is not None
    assert alone is not None
    assert (found.median, found.slow) == (alone.median, alone.slow)
