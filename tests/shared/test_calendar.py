"""The studio's calendar: hours over the clock change, odd hours, working days."""

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.shared.calendar import DAY, USUAL_HOURS, Calendar, OddHour

HOUR = 3_600
BERLIN = ZoneInfo("Europe/Berlin")
NEW_YORK = ZoneInfo("America/New_York")
ALL_DAY = {day: ((time(), time()),) for day in range(7)}


def moment(zone: ZoneInfo, text: str, fold: int = 0) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold).timestamp())


# Days of the clock change: European Union, directive 2000/84/EC (last Sundays of March and
# October); United States, Energy Policy Act of 2005 (second Sunday of March, first of November).
CHANGES = [
    (BERLIN, date(2026, 3, 29), 23),
    (BERLIN, date(2026, 10, 25), 25),
    (NEW_YORK, date(2026, 3, 8), 23),
    (NEW_YORK, date(2026, 11, 1), 25),
]


@pytest.mark.parametrize(("zone", "day", "length"), CHANGES)
def test_a_day_of_the_clock_change_has_23_or_25_hours(zone, day, length):
    calendar = Calendar(zone, ALL_DAY)
    start, end = calendar.start_of(day), calendar.start_of(day + timedelta(days=1))
    assert end - start == length * HOUR
    assert calendar.working_seconds(start, end) == length * HOUR
    assert Calendar(zone, closed=frozenset({day})).closed_seconds(start - 9, end + 9) == end - start


@pytest.mark.parametrize(("zone", "day", "length"), CHANGES)
def test_the_usual_hours_are_eight_on_either_side_of_the_change(zone, day, length):
    calendar = Calendar(zone)
    start = calendar.start_of(day - timedelta(days=2))  # the Friday before
    end = calendar.start_of(day + timedelta(days=2))  # up to the end of Monday
    assert end - start == (3 * 24 + length) * HOUR
    assert calendar.working_seconds(start, end) == 16 * HOUR


@pytest.mark.parametrize(
    ("zone", "text"),
    [
        (BERLIN, "2026-03-29 02:00"),
        (BERLIN, "2026-03-29 02:59"),
        (NEW_YORK, "2026-03-08 02:30"),
        (ZoneInfo("America/Havana"), "2026-03-08 00:30"),
    ],
)
def test_a_skipped_hour_is_asked_back(zone, text):
    typed = datetime.fromisoformat(text)
    with pytest.raises(OddHour, match="does not exist"):
        Calendar(zone).moment(typed.date(), typed.time())


@pytest.mark.parametrize(
    ("zone", "text"),
    [
        (BERLIN, "2026-10-25 02:00"),
        (BERLIN, "2026-10-25 02:59"),
        (NEW_YORK, "2026-11-01 01:30"),
        (ZoneInfo("America/Havana"), "2026-11-01 00:30"),
    ],
)
def test_a_doubled_hour_is_asked_back(zone, text):
    typed = datetime.fromisoformat(text)
    with pytest.raises(OddHour, match="comes twice"):
        Calendar(zone).moment(typed.date(), typed.time())


@pytest.mark.parametrize(
    "text", ["2026-03-29 01:59", "2026-03-29 03:00", "2026-10-25 01:59", "2026-10-25 03:00"]
)
def test_the_hours_beside_the_change_are_plain(text):
    typed = datetime.fromisoformat(text)
    found = Calendar(BERLIN).moment(typed.date(), typed.time())
    assert Calendar(BERLIN).local(found).replace(tzinfo=None) == typed


ZONES = ("Europe/Berlin", "America/New_York", "America/Havana", "Pacific/Apia", "Asia/Kathmandu")


@settings(max_examples=200)
@given(
    st.sampled_from(ZONES), st.datetimes(datetime(2010, 1, 1), datetime(2030, 1, 1)).map(
        lambda d: d.replace(microsecond=0)
    ),
)  # fmt: skip
def test_every_typed_hour_is_either_odd_or_read_back_as_typed(zone, typed):
    calendar = Calendar(ZoneInfo(zone))
    try:
        found = calendar.moment(typed.date(), typed.time())
    except OddHour:
        before, after_it = (
            typed.replace(tzinfo=calendar.zone, fold=fold).utcoffset() for fold in (0, 1)
        )
        assert before != after_it
    else:
        assert calendar.local(found).replace(tzinfo=None, fold=0) == typed


def by_the_minute(calendar: Calendar, start: int, end: int) -> int:
    """Working seconds the plain way: look at the wall clock of every minute."""
    total = 0
    for now in range(start, end, 60):
        local = calendar.local(now)
        if local.date() not in calendar.closed:
            for since, until in calendar.hours.get(local.weekday(), ()):
                if since <= local.time() and (until == time() or local.time() < until):
                    total += 60
    return total


# Spans that begin and end outside of the doubled hours; the second has two borders within the
# hour that spring skips and one span that is skipped whole.
SPANS = [
    ((time(0), time(1, 0)), (time(4), time(12, 30)), (time(13), time())),
    ((time(0), time(0, 45)), (time(3), time(3, 30)), (time(5, 15), time(23))),
    ((time(9), time(17)),),
    (),
]
IN_THE_GAP = ((time(1), time(2, 30)), (time(2, 30), time(2, 45)), (time(2, 45), time(3, 15)))


@settings(max_examples=40)
@given(
    st.sampled_from(CHANGES),
    st.lists(st.sampled_from(SPANS), min_size=7, max_size=7),
    st.integers(-4_000, 2_000),
    st.integers(0, 5_000),
    st.booleans(),
)
def test_working_seconds_are_those_of_the_wall_clock(change, week, ahead, minutes, closed):
    zone, day, _ = change
    off = frozenset({day}) if closed else frozenset()
    calendar = Calendar(zone, dict(enumerate(week)), off)
    start = calendar.start_of(day) + ahead * 60
    end = start + minutes * 60
    assert calendar.working_seconds(start, end) == by_the_minute(calendar, start, end)


@pytest.mark.parametrize(("zone", "day"), [(z, d) for z, d, length in CHANGES if length == 23])
def test_hours_that_the_clock_skips_are_not_worked(zone, day):
    calendar = Calendar(zone, dict.fromkeys(range(7), IN_THE_GAP))
    start, end = calendar.start_of(day), calendar.start_of(day + timedelta(days=1))
    # 1:00 to 2:00, then the clock shows 3:00; 3:00 to 3:15. An hour and a quarter.
    assert calendar.working_seconds(start, end) == HOUR + 900
    assert by_the_minute(calendar, start, end) == HOUR + 900


def test_a_day_that_a_zone_left_out_has_no_length():
    # Samoa went over the date line: there was no 30 December 2011 (IANA tz database).
    calendar = Calendar(ZoneInfo("Pacific/Apia"), ALL_DAY, frozenset({date(2011, 12, 30)}))
    start, end = calendar.start_of(date(2011, 12, 29)), calendar.start_of(date(2012, 1, 1))
    assert end - start == 2 * DAY
    assert calendar.closed_seconds(start, end) == 0
    assert calendar.working_seconds(start, end) == 2 * DAY


@settings(max_examples=100)
@given(st.integers(0, 2_000_000_000), st.integers(0, 4_000_000), st.integers(0, 4_000_000))
def test_spans_of_time_add_up(start, first, second):
    calendar = Calendar(BERLIN, closed=frozenset({date(2026, 12, 25)}))
    middle, end = start + first, start + first + second
    for count in (calendar.working_seconds, calendar.closed_seconds):
        assert count(start, end) == count(start, middle) + count(middle, end)
        assert count(end, start) == 0 or first + second == 0


# ---------------------------------------------------------------- working days

EASTER = frozenset({date(2026, 4, 3), date(2026, 4, 6)})


@pytest.mark.parametrize(
    ("day", "count", "there"),
    [
        (date(2026, 4, 2), 0, date(2026, 4, 2)),
        (date(2026, 4, 2), 1, date(2026, 4, 7)),  # over Good Friday, weekend, Easter Monday
        (date(2026, 4, 7), -1, date(2026, 4, 2)),
        (date(2026, 4, 4), 1, date(2026, 4, 7)),  # from a Saturday
        (date(2026, 4, 2), 5, date(2026, 4, 13)),
    ],
)
def test_working_days_are_counted_over_holidays(day, count, there):
    calendar = Calendar(BERLIN, closed=EASTER)
    assert calendar.add_working_days(day, count) == there
    if count > 0:
        assert calendar.working_days_between(day, there) == count


def test_a_studio_that_never_works_counts_plain_days():
    calendar = Calendar(BERLIN, {0: ()})
    assert calendar.add_working_days(date(2026, 4, 2), 3) == date(2026, 4, 5)


@given(st.dates(date(2020, 1, 1), date(2030, 1, 1)), st.integers(1, 60))
def test_adding_working_days_ends_on_a_working_day(day, count):
    calendar = Calendar(BERLIN, closed=EASTER)
    there = calendar.add_working_days(day, count)
    assert calendar.is_working_day(there)
    assert calendar.working_days_between(day, there) == count


def test_the_next_open_moment_is_now_during_hours_and_the_morning_after():
    calendar = Calendar(BERLIN, closed=EASTER)
    thursday = moment(BERLIN, "2026-04-02 16:59")
    assert calendar.next_open(thursday) == thursday
    assert calendar.next_open(thursday + 60) == moment(BERLIN, "2026-04-07 09:00")
    assert Calendar(BERLIN, {}).next_open(thursday) == thursday


def test_the_usual_hours_are_those_of_an_office():
    assert sorted(USUAL_HOURS) == [0, 1, 2, 3, 4]
