"""The six answers, in sentences."""

from collections import namedtuple
from dataclasses import replace
from datetime import date

import numpy as np

from app.flow.steps import Step, TimeClass
from app.leadtimes.log import CANCELLED, FINISHED, OPEN
from app.owner import answers
from app.owner.figures import Where, WhereRow, Working, WorkingRow
from app.owner.intervals import STEP_CODE
from app.shared.carriers import Journey
from tests.owner.test_figures import CALENDAR, NOW, some

Order = namedtuple("Order", "id number needed_by ship_country")
TODAY = date(2026, 5, 20)


def test_how_long_it_takes_is_told_of_the_last_ninety_days():
    rows = [(d + 2, d, FINISHED) for d in range(1, 21)] + [(300, 5, FINISHED)] * 30
    assert answers.how_long(some(rows), NOW).text == (
        "Of the 20 pieces handed over in the last 90 days, half had taken 10 days or less from "
        "the order, and 85 in 100 had taken 17 or less."
    )
    few = answers.how_long(some(rows[:2]), NOW).text
    assert (
        few == "Two pieces left in the last 90 days, after 1 to 2 days: too few for more than that."
    )
    assert answers.how_long(some([]), NOW).text == "No piece was handed over in the last 90 days."


def test_where_the_time_goes_names_the_three_largest_parts_that_are_not_hands():
    kinds = (TimeClass.WAITING, TimeClass.HANDS, TimeClass.MACHINE, TimeClass.REST, TimeClass.HOLD)
    row = WhereRow("Painting", (120, 5, 52, 20, 3), 88)
    worked = Working((WorkingRow("Painting", 40, 496.0, 38.0),), 40)
    text = answers.where(Where(40, 0, kinds, (row,)), worked).text
    assert text == (
        "A piece takes 28.8 days on average; 8.8 of them are the customer’s. Of our own 20.0, "
        "12.0 waiting for somebody, 5.2 machine running and 2.0 drying and curing. It is worked on for 12 hours, "
        "without the 7 in 100 that nobody closed."
    )
    assert (
        "Only seven pieces have been through every step"
        in answers.where(Where(7, 0, kinds, (row,)), None).text
    )
    assert answers.where(None, None).text == "No piece has been through every step yet."


def test_the_promise_is_the_ten_to_the_eighty_five_percent_point_rounded_outward():
    # 5, 10, 25, 50, 75, 85, 90, 95 %; today is Wednesday 20 May 2026.
    points = [16, 20.4, 25, 30, 36, 40.2, 45, 50]
    text = answers.promise(points, TODAY, CALENDAR).text
    # Day 20 is Tuesday 9 June, day 41 Tuesday 30 June.
    assert "Two to six weeks from the day the photos pass." in text
    assert "between 9 June and 30 June" in text
    assert "being worked out" in answers.promise(None, TODAY, CALENDAR).text


def test_late_are_orders_past_what_was_told_told_of_delay_or_too_late_for_their_day():
    found = replace(some([(30, 0, OPEN)] * 5), order=np.array([1, 2, 3, 4, 5]))
    # Six calendar days to Ireland: for Tuesday 26 May it has to leave on the 20th, which is today.
    rows = [Order(n, 1100 + n, None, "") for n in (1, 2)]
    rows += [Order(3, 1103, "2026-05-26", "IE"), Order(4, 1104, "2026-05-25", "IE")]
    rows.append(Order(5, 1105, "2026-05-21", ""))
    told = {1: date(2026, 5, 19), 2: None, 3: date(2026, 5, 20), 4: date(2026, 6, 1)}

    def journey(country: str) -> Journey | None:
        return Journey(4, 6, working=False) if country else None

    found_late = answers.late(found, rows, told, journey, TODAY)
    assert found_late.text == (
        "One order is past the last day we gave, one order was told that it takes longer and one "
        "order usually arrives after the day it is needed, even if it left today:"
    )
    assert found_late.orders == (1101, 1102, 1104)
    gone = replace(found, outcome=np.full(5, CANCELLED))
    assert answers.late(gone, rows, told, journey, TODAY).text.startswith("Nothing")


def test_on_the_way_counts_pieces_by_where_they_are():
    steps = [Step.PHOTOS_WANTED, Step.PHOTOS_WANTED, Step.BUILDING, Step.PAINTING, Step.PACKING]
    found = replace(
        some([(3, 0, OPEN)] * 5 + [(9, 5, FINISHED)]),
        step=np.array([*(STEP_CODE[s] for s in steps), STEP_CODE[Step.PACKING]]),
        order=np.array([1, 1, 2, 3, 3, 4]),
    )
    assert answers.on_the_way(found).text == (
        "Five pieces of three orders: 2 wait for photos, 1 is on screen, 1 is being made and "
        "1 is being packed."
    )
