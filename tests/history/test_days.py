"""Days as sheets write them. Orders of day and month by what the cells can only mean."""

from datetime import date

import pytest

from app.history.days import DayOrder, Moment, NotADay, evidence, read, usual_order

MARCH = date(2024, 3, 4)
DAY, MONTH = DayOrder.DAY_FIRST, DayOrder.MONTH_FIRST


@pytest.mark.parametrize(
    ("cell", "order"),
    [
        ("2024-03-04", DAY), ("2024-03-04", MONTH), ("2024/3/4", MONTH), ("04.03.2024", DAY),
        ("4.3.24", DAY), ("04.03.2024", MONTH), ("4/3/2024", DAY), ("3/4/2024", MONTH),
        ("4 March 2024", DAY), ("4. März 2024", DAY), ("4 Mrz 2024", DAY), ("4 mars 2024", MONTH),
        ("March 4, 2024", DAY), ("4-Mar-24", DAY), ("Monday, 4 March 2024", DAY),
        ("Mon 4th March 2024", DAY), ("2024-03-04 17:30", DAY), ("04.03.2024 17:30:00", DAY),
        ("45355", DAY), ("2024-03-04T00:00:00", DAY),
    ],
)  # fmt: skip
def test_a_day_is_read_however_it_is_written(cell, order):
    assert read(cell, order, 2026) == Moment(MARCH)


def test_a_moment_keeps_its_seconds():
    assert read("2024-03-04T10:22:05Z", DAY, 2026) == Moment(MARCH, 1_709_547_725)


def test_a_year_of_two_figures_is_of_the_last_hundred_years():
    assert read("4.3.27", DAY, 2026).day.year == 2027
    assert read("4.3.28", DAY, 2026).day.year == 1928


@pytest.mark.parametrize(
    ("cell", "why"),
    [
        ("31.02.2024", "not a day of the calendar"), ("3/14/2024", "there is no month 14"),
        ("soon", "is not a day"), ("4 Marvember 2024x", "is not a day"), ("12", "is not a day"),
        ("4 Frob 2024", "no month is called “Frob”"), ("2024-13-01", "there is no month 13"),
        ("99999999999999999999", "is not a day"), ("2024-02-30T10:00:00Z", "not a moment"),
    ],
)  # fmt: skip
def test_what_is_no_day_is_said_with_the_reason(cell, why):
    with pytest.raises(NotADay, match=why):
        read(cell, DAY, 2026)


def test_a_column_says_which_comes_first_and_the_country_where_it_does_not():
    assert evidence(["14/3/2024", "4/3/2024"]).decided(MONTH) is DAY
    assert evidence(["3/14/2024", "4/3/2024"]).decided(DAY) is MONTH
    assert evidence(["4/3/2024", "5/6/2024"]).decided(usual_order("US")) is MONTH
    assert evidence(["4/3/2024"]).decided(usual_order("DE")) is DAY
    assert evidence(["4/3/2024"]).decided(usual_order("")) is None, "nobody can tell: it is asked"
    assert evidence(["4/4/2024", "2024-03-04", "04.03.2024"]).decided(None) is DAY, "no matter"


def test_cells_that_contradict_one_another_are_asked_about_unless_they_are_slips():
    assert evidence(["14/3/2024", "3/14/2024"]).decided(DAY) is None
    assert evidence(["14/3/2024"] * 40 + ["3/14/2024"]).decided(MONTH) is DAY
