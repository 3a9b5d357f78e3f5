"""Counting what was told against what came of it."""

from collections import namedtuple
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from app.owner.answers import share_words
from app.owner.figures import WilsonShare
from app.owner.track import (
    OrderEnds,
    RangeOutcome,
    TrackedRange,
    TrackRow,
    by_quarter,
    chances_kept,
    record_of,
    row_of,
    standing,
    verdict,
)
from app.shared.calendar import DAY, Calendar

Telling = namedtuple("Telling", "at channel from_day to_day")
LONDON = ZoneInfo("Europe/London")
CALENDAR = Calendar(LONDON)
TODAY = date(2026, 6, 10)


def at(month: int, day: int, hour: int = 12) -> int:
    return int(datetime(2026, month, day, hour, tzinfo=LONDON).timestamp())


@pytest.mark.parametrize(
    ("last", "ready", "came"),
    [
        (date(2026, 6, 9), date(2026, 6, 9), RangeOutcome.WITHIN),
        (date(2026, 6, 9), date(2026, 6, 1), RangeOutcome.WITHIN),
        (date(2026, 6, 9), date(2026, 5, 31), RangeOutcome.EARLY),
        (date(2026, 6, 8), date(2026, 6, 9), RangeOutcome.LATE),
        (date(2026, 6, 9), None, RangeOutcome.OVERDUE),
        (date(2026, 6, 10), date(2026, 6, 5), RangeOutcome.NOT_DUE),
        (date(2026, 6, 10), None, RangeOutcome.NOT_DUE),
    ],
)
def test_a_range_is_judged_when_its_last_day_has_passed(last, ready, came):
    told = TrackedRange(date(2026, 5, 2), "page", date(2026, 6, 1), last)
    assert verdict(told, ready, False, TODAY) is came
    assert verdict(told, None, True, TODAY) is RangeOutcome.GIVEN_UP


def test_what_stood_is_the_first_telling_of_the_day_after_else_the_last_before():
    told = [Telling(at(5, 1), "page", None, None), Telling(at(5, 3), "page", None, None)]
    assert standing(told, at(5, 1, 11)) is told[0]
    assert standing(told, at(5, 2, 11)) is told[0], "the next came more than a day later"
    assert standing(told, at(5, 3) - DAY) is told[1]
    assert standing(told, at(5, 9)) is told[1]
    assert standing(told, at(4, 1)) is None


def test_a_row_holds_what_was_told_at_both_milestones_and_the_day_of_the_last_piece():
    told = [
        Telling(at(5, 2), "page", "2026-05-20", "2026-06-01"),
        Telling(at(5, 9), "phone", "2026-05-22", "2026-06-05"),
    ]
    ends = OrderEnds(1147, at(5, 2, 11), at(5, 9, 11), at(6, 2), open=False)
    row = row_of(ends, told, CALENDAR, TODAY)
    assert (row.passed_was, row.finished_was) == (RangeOutcome.LATE, RangeOutcome.WITHIN)
    assert row.ready == date(2026, 6, 2)
    assert row.finished == TrackedRange(
        date(2026, 5, 9), "phone", date(2026, 5, 22), date(2026, 6, 5)
    )
    still = row_of(OrderEnds(1147, at(5, 2, 11), None, at(6, 2), open=True), told, CALENDAR, TODAY)
    assert (still.ready, still.passed_was) == (None, RangeOutcome.OVERDUE)
    assert (still.finished, still.finished_was) == (None, None)


def test_told_that_it_takes_longer_is_no_range():
    told = [Telling(at(5, 2), "page", None, None)]
    row = row_of(OrderEnds(1147, at(5, 2, 11), None, None, open=True), told, CALENDAR, TODAY)
    assert row.passed is None


def test_shares_count_the_overdue_and_leave_out_what_is_not_due_or_given_up():
    v = RangeOutcome
    came = [v.WITHIN] * 6 + [v.EARLY] + [v.LATE, v.OVERDUE] + [v.NOT_DUE] * 5 + [v.GIVEN_UP, None]
    record = record_of(came)
    assert record.by_the_last == WilsonShare(7, 9)
    assert record.within == WilsonShare(6, 9)
    assert record.early == WilsonShare(1, 9)
    assert record.not_due == 5


def test_below_twenty_cases_there_are_words_only_and_from_twenty_on_an_interval():
    did = "ready by the last day we gave"
    assert "in 100" not in share_words(WilsonShare(17, 19), did)
    assert share_words(WilsonShare(6, 7), did).startswith(
        "The last day we gave has passed for seven orders; six were ready by the last day we gave."
    )
    assert "one order; one was ready" in share_words(WilsonShare(1, 1), did)
    assert "one order; none was ready" in share_words(WilsonShare(0, 1), did)
    # Wilson for 81 of 263 is .2553 to .3662 (Newcombe 1998), rounded outward.
    assert WilsonShare(81, 263).in_100() == (31, 25, 37)
    assert share_words(WilsonShare(81, 263), did) == (
        "31 in 100 were ready by the last day we gave, 81 of 263; allowing for chance, 25 to 37 in 100."
    )
    assert WilsonShare(20, 20).in_100() == (100, 83, 100)


def test_chances_are_held_against_what_came_of_them_by_fifths():
    """By hand: 1.0 counts with 8 to 10 in 10; 0.2 with 2 to 4; the mean of 0.85, 0.9 and 1.0 is
    0.9167, and two of these three were kept."""
    said = [(0.05, False), (0.2, False), (0.85, True), (0.9, False), (1.0, True)]
    found = chances_kept(said)
    assert [(one.tenths, one.kept.hits, one.kept.n) for one in found] == [
        ((0, 2), 0, 1), ((2, 4), 0, 1), ((8, 10), 2, 3),
    ]  # fmt: skip
    assert found[-1].said == pytest.approx(0.91667, abs=1e-5)
    assert chances_kept([]) == []


def test_quarters_are_those_in_which_a_range_was_told():
    rows = [
        TrackRow(n, TrackedRange(on, "page", on, on), None, on, False, was, None)
        for n, (on, was) in enumerate(
            [
                (date(2026, 3, 31), RangeOutcome.WITHIN),
                (date(2026, 4, 1), RangeOutcome.LATE),
                (date(2026, 6, 30), RangeOutcome.NOT_DUE),
                (date(2026, 12, 31), RangeOutcome.GIVEN_UP),
            ]
        )
    ]
    found = by_quarter(rows)
    assert [(one.name, one.kept.by_the_last.hits, one.kept.by_the_last.n, one.kept.not_due)
            for one in found] == [("2nd quarter 2026", 0, 1, 1), ("1st quarter 2026", 1, 1, 0)]  # fmt: skip
