"""The range shown: earlier only at a step change, never past, never known to be false."""

from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.flow.steps import Step
from app.orders.facts.ranges import (
    FROM_OUR_WEEKS,
    FROM_THE_TRADE,
    Decision,
    HouseHold,
    Position,
    Rests,
    Shown,
    Soon,
    Span,
    ToldRange,
    as_told,
    days_of,
    decide,
    default_range,
    from_passing,
    full_points,
    read_points,
    weeks,
)
from app.shared.calendar import Calendar
from tests.making import DAY, NOW

CALENDAR = Calendar(ZoneInfo("Europe/London"))
TODAY = date(2026, 3, 4)
TOLD = ToldRange(NOW - 7 * DAY, date(2026, 3, 18), date(2026, 4, 1), None, "ours", 5)


def at(
    computed: Span | None, told: ToldRange | None = TOLD, today: date = TODAY, **more
) -> Decision:
    said = {"steps_now": 5, "later_since": None, "calendar": CALENDAR, **more}
    return decide(computed, told, today=today, **said)


def to_day(day: date, today: date = TODAY) -> Span:
    """A computed span that ends on a day."""
    return Span(1.0, float((day - today).days), "ours")


def test_days_are_rounded_outward_to_working_days() -> None:
    # Day 3.2 is Saturday 7 March at the earliest, day 10.2 Sunday 15 March at the latest.
    assert days_of(Span(3.2, 10.2, ""), TODAY, CALENDAR) == (date(2026, 3, 6), date(2026, 3, 16))


def test_a_range_never_begins_before_today() -> None:
    assert days_of(Span(0.0, 0.0, ""), TODAY, CALENDAR) == (TODAY, date(2026, 3, 5))


def test_the_first_range_is_new() -> None:
    decision = at(Span(10, 20, "ours"), None)
    assert decision.new
    assert decision.shown == Shown(date(2026, 3, 13), date(2026, 3, 24), None, "ours")


def test_between_step_changes_an_earlier_range_is_not_shown() -> None:
    decision = at(Span(2, 6, "ours"))
    assert decision == Decision(as_told(TOLD))


def test_at_a_step_change_the_range_may_move_earlier() -> None:
    decision = at(Span(2, 6, "ours"), steps_now=6)
    assert decision.new
    assert decision.shown is not None
    assert decision.shown.to_day == date(2026, 3, 10)


def test_at_a_step_change_that_changes_nothing_the_telling_is_only_noted_as_seen() -> None:
    fresh = at(Span(10, 20, "ours"), None).shown
    assert fresh is not None
    told = ToldRange(NOW, fresh.from_day, fresh.to_day, None, "ours", 5)
    decision = at(Span(10, 20, "ours"), told, steps_now=6)
    assert (decision.new, decision.seen) == (False, True)


def test_a_computed_end_three_working_days_beyond_is_borne() -> None:
    told = replace(TOLD, at=NOW - 60 * DAY)
    assert at(to_day(date(2026, 4, 4)), told).later_since is None


def test_more_than_three_working_days_beyond_are_noted_and_told_on_the_second_day() -> None:
    first = at(to_day(date(2026, 4, 9)))
    assert (first.later_since, first.tell_them) == (TODAY, False)
    tomorrow = TODAY + timedelta(days=1)
    second = at(to_day(date(2026, 4, 9), tomorrow), today=tomorrow, later_since=TODAY)
    assert (second.tell_them, second.new) == (True, False)
    assert second.shown == as_told(TOLD)


def test_a_tenth_beyond_is_noted_too() -> None:
    told = replace(TOLD, at=NOW, to_day=date(2026, 3, 14))
    assert at(to_day(date(2026, 3, 17)), told).later_since == TODAY


def test_a_computed_end_that_comes_back_is_forgotten() -> None:
    assert at(to_day(date(2026, 4, 1)), later_since=TODAY).later_since is None


def test_with_no_word_in_two_working_days_the_end_is_dropped() -> None:
    # Beyond since Wednesday, asked on Thursday; Thursday and Friday pass without a word.
    monday = date(2026, 3, 9)
    decision = at(to_day(date(2026, 4, 20), monday), today=monday, later_since=TODAY)
    assert decision.new
    assert decision.shown == Shown(None, None, date(2026, 3, 16), "ours")
    friday = date(2026, 3, 6)
    assert not at(to_day(date(2026, 4, 20), friday), today=friday, later_since=TODAY).new


def test_a_range_whose_end_has_passed_is_dropped_at_once() -> None:
    after = date(2026, 4, 2)
    for computed in (Span(3, 9, "ours"), None):
        decision = at(computed, today=after)
        assert decision.shown is not None
        assert decision.shown.longer
        assert decision.shown.write_by is not None
        assert decision.shown.write_by > after


def test_longer_stands_until_the_day_by_which_we_write_and_never_past_it() -> None:
    told = ToldRange(NOW, None, None, date(2026, 3, 11), "ours", 5)
    assert not at(Span(3, 9, "ours"), told).new
    later = at(Span(3, 9, "ours"), told, today=date(2026, 3, 12))
    assert later.shown is not None
    assert later.shown.write_by == date(2026, 3, 19)


def test_a_step_change_gives_days_again() -> None:
    told = ToldRange(NOW, None, None, date(2026, 3, 11), "ours", 5)
    decision = at(Span(3, 9, "ours"), told, steps_now=6)
    assert decision.new
    assert decision.shown is not None
    assert decision.shown.to_day == date(2026, 3, 13)


def test_an_end_that_a_step_moved_far_later_is_told_by_the_desk_at_once_and_not_by_the_page() -> (
    None
):
    decision = at(to_day(date(2026, 4, 9)), steps_now=6)
    assert (decision.tell_them, decision.new, decision.later_since) == (True, False, TODAY)
    assert decision.shown == as_told(TOLD)
    friday = at(
        to_day(date(2026, 4, 9), date(2026, 3, 6)), today=date(2026, 3, 6), steps_now=6,
        later_since=TODAY,
    )  # fmt: skip
    assert friday.shown is not None
    assert friday.shown.longer, "two working days without a word"


def test_a_closure_set_after_the_telling_is_a_reason_to_tell_at_once() -> None:
    later = to_day(date(2026, 4, 9))
    assert at(later, caused_at=NOW).tell_them
    assert not at(later, caused_at=NOW - 30 * DAY).tell_them, "counted in when it was told"


def test_ends_a_little_later_at_every_step_do_not_creep() -> None:
    decision = at(to_day(date(2026, 4, 3)), steps_now=6)
    assert (decision.shown, decision.new, decision.seen) == (as_told(TOLD), False, True)


def test_a_step_gives_no_days_again_that_lie_far_beyond_the_end_once_named() -> None:
    told = ToldRange(NOW, None, None, date(2026, 3, 11), "ours", 5, end_before=date(2026, 3, 10))
    later = at(to_day(date(2026, 3, 27)), told, steps_now=6)
    assert (later.shown, later.tell_them) == (as_told(told), True)
    assert at(to_day(date(2026, 3, 10)), told, steps_now=6).new


@pytest.mark.parametrize(
    ("hold", "computed", "drops"),
    [
        (HouseHold(NOW, None), to_day(date(2026, 3, 20)), True),
        (HouseHold(NOW, date(2026, 4, 6)), None, True),
        (HouseHold(NOW, date(2026, 3, 20)), to_day(date(2026, 4, 9)), True),
        (HouseHold(NOW, date(2026, 3, 20)), to_day(date(2026, 3, 27)), False),
        (HouseHold(NOW, date(2026, 3, 20)), None, False),
        (HouseHold(TOLD.at - DAY, None), to_day(date(2026, 3, 27)), False),
    ],
    ids=[
        "no day", "not ready by the end", "computed beyond", "in time", "being computed",
        "told knowing of it",
    ],
)  # fmt: skip
def test_a_hold_of_the_house_drops_an_end_that_nobody_believes_any_more(
    hold: HouseHold, computed: Span | None, drops: bool
) -> None:
    decision = at(computed, held=hold)
    assert decision.shown is not None
    assert decision.shown.longer is drops
    assert (decision.new, decision.tell_them) == (drops, drops)


@given(
    high=st.floats(0, 120), told_end=st.integers(0, 90), ago=st.integers(0, 60),
    moved=st.booleans(), closed=st.booleans(), longer=st.booleans(),
    since=st.one_of(st.none(), st.integers(-9, 0)), held=st.booleans(),
)  # fmt: skip
def test_no_end_is_shown_that_lies_before_the_computed_one_without_a_word_to_the_customer(
    high: float, told_end: int, ago: int, moved: bool, closed: bool, longer: bool,
    since: int | None, held: bool,
) -> None:  # fmt: skip
    end = TODAY + timedelta(days=told_end)
    told = ToldRange(NOW - ago * DAY, TODAY, end, None, "ours", 5)
    if longer:
        told = replace(told, from_day=None, to_day=None, write_by=TODAY, end_before=end)
    span = Span(0.0, high, "ours")
    decision = at(
        span, told, steps_now=6 if moved else 5, caused_at=NOW + 1 if closed else 0,
        later_since=TODAY + timedelta(days=since) if since is not None else None,
        held=HouseHold(NOW, end) if held else None,
    )  # fmt: skip
    last, far = days_of(span, TODAY, CALENDAR)[1], False
    if last > end:
        over = CALENDAR.working_days_between(end, last)
        length = max(1, (end - CALENDAR.day_of(told.at)).days)
        far = over > 3 or (last - end).days > length / 10
    assert decision.shown is not None
    if far and decision.shown.to_day is not None:
        drifted_today = since in (None, 0) and not (moved or closed or held)
        assert decision.tell_them or drifted_today
        assert decision.later_since is not None, "and tomorrow it is on the list"
    if far and decision.shown.longer:
        assert decision.tell_them


@given(
    low=st.floats(0, 90), wide=st.floats(0, 90), told_from=st.integers(-60, 90),
    told_wide=st.integers(0, 60), steps=st.integers(4, 6), longer=st.booleans(),
    since=st.one_of(st.none(), st.integers(-10, 0)), computed=st.booleans(),
)  # fmt: skip
def test_whatever_was_told_nothing_past_is_shown_and_a_telling_repeats_itself(
    low: float, wide: float, told_from: int, told_wide: int, steps: int, longer: bool,
    since: int | None, computed: bool,
) -> None:  # fmt: skip
    first = TODAY + timedelta(days=told_from)
    last = first + timedelta(days=told_wide)
    told = ToldRange(NOW - 90 * DAY, first, last, None, "ours", 5)
    if longer:
        told = replace(told, from_day=None, to_day=None, write_by=last)
    span = Span(low, low + wide, "ours") if computed else None
    began = TODAY + timedelta(days=since) if since is not None else None
    decision = at(span, told, steps_now=steps, later_since=began)
    shown = decision.shown
    assert shown is not None
    assert (shown.to_day or shown.write_by or TODAY) >= TODAY
    if shown.from_day and shown.to_day and not longer and steps == 5:
        assert shown.to_day >= last
    if decision.new:
        again = ToldRange(NOW, shown.from_day, shown.to_day, shown.write_by, shown.basis, steps)
        second = at(span, again, steps_now=steps, later_since=decision.later_since)
        assert second.shown == shown
        assert not second.new


# ---------------------------------------------------------------- what is computed


def test_points_count_from_the_day_they_were_computed_on() -> None:
    found = read_points(
        '{"10": 8, "50": 11, "85": 20}', "ours", NOW - DAY, stale=False, now=NOW,
        last_change_at=NOW - 9 * DAY,
    )  # fmt: skip
    assert found == Span(7.0, 19.0, "ours")


def test_points_about_to_be_computed_again_are_waited_for_ten_minutes() -> None:
    said = {"stale": True, "last_change_at": NOW}
    soon = read_points('{"10": 8, "85": 20}', "", NOW - DAY, now=NOW + 60, **said)
    assert isinstance(soon, Soon)
    assert read_points('{"10": 8, "85": 20}', "", NOW - DAY, now=NOW + 601, **said) is None


@pytest.mark.parametrize(
    "points",
    [
        "{}",
        "",
        "[]",
        '{"10": 8}',
        '{"10": "x", "85": 2}',
        '{"10": 9, "85": 2}',
        '{"10": NaN, "85": 2}',
    ],
)
def test_points_that_say_nothing_are_nothing(points: str) -> None:
    assert read_points(points, "", NOW, stale=False, now=NOW, last_change_at=0) is None
    assert full_points(points, "") is None


def test_points_that_an_edit_marked_stale_are_as_good_as_before() -> None:
    found = read_points(
        '{"10": 8, "85": 20}', "ours", NOW - DAY, stale=True, now=NOW, last_change_at=NOW - 2 * DAY,
    )  # fmt: skip
    assert found == Span(7.0, 19.0, "ours")


@pytest.mark.parametrize(
    ("basis", "rests"),
    [
        (FROM_THE_TRADE, Rests.ON_THE_TRADE),
        ("from what is usual in the trade", Rests.ON_THE_TRADE),
        ("partly from what is usual in the trade", Rests.ON_BOTH),
        ("from this studio's own record", Rests.ON_OUR_OWN),
    ],
)
def test_a_basis_says_what_a_range_rests_on(basis: str, rests: Rests) -> None:
    assert Rests.of(basis) is rests


def test_old_points_are_nothing() -> None:
    found = read_points(
        '{"10": 8, "85": 20}', "", NOW - 4 * DAY, stale=False, now=NOW, last_change_at=0
    )
    assert found is None


def test_the_default_is_wide_and_says_where_it_comes_from() -> None:
    span = from_passing(blank_on=True)
    # The usual stays from finishing to packing add up to 21 days, the slow ones to 46.
    assert 22 < span.low < 26 < 40 < span.high < 55
    assert span.basis == FROM_THE_TRADE


def test_a_studio_without_blanks_is_quicker() -> None:
    assert from_passing(blank_on=False).high < from_passing(blank_on=True).high


@given(
    step=st.sampled_from([Step.FINISHING, Step.BLANK, Step.SHAPING, Step.PAINTING, Step.PACKING]),
    age=st.floats(0, 400),
)
def test_time_spent_shortens_what_is_left_but_never_to_nothing(step: Step, age: float) -> None:
    fresh = default_range([Position(step, 0.0)], blank_on=True)
    old = default_range([Position(step, age)], blank_on=True)
    assert 0 < old.low <= fresh.low + 1e-9
    assert old.low < old.high <= fresh.high + 1e-9


def test_of_several_pieces_the_furthest_from_its_end_counts() -> None:
    both = [Position(Step.PACKING, 0), Position(Step.BLANK, 0)]
    assert default_range(both, blank_on=True) == default_range(both[1:], blank_on=True)


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (21, 49, "three to seven weeks"),
        (22, 43, "three to seven weeks"),
        (3, 10, "up to two weeks"),
        (0, 3, "up to one week"),
        (100, 200, "14 to 29 weeks"),
        (14, 14, "up to two weeks"),
    ],
)
def test_weeks_are_rounded_outward(low: float, high: float, said: str) -> None:
    assert weeks(low, high) == said


def test_our_usual_weeks_stand_in_the_place_of_the_trades() -> None:
    span = from_passing(blank_on=True, our_weeks=(6, 10))
    assert (span.low, span.high) == (pytest.approx(42), pytest.approx(70))
    assert span.basis == FROM_OUR_WEEKS
    assert Rests.of(span.basis) is Rests.ON_OUR_WEEKS
    further = default_range([Position(Step.PACKING, 0.0)], blank_on=True, our_weeks=(6, 10))
    of_the_trade = default_range([Position(Step.PACKING, 0.0)], blank_on=True)
    assert of_the_trade.low < further.low < further.high < 30
    assert Rests.of("partly from our usual weeks") is Rests.ON_WEEKS_AND_OWN
