"""The page's figures against examples worked by hand."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.flow.steps import Step, TimeClass
from app.leadtimes.log import CANCELLED, DAY, FINISHED, OPEN
from app.leadtimes.working import Held, Worked
from app.owner import figures
from app.owner.figures import Choice
from app.owner.intervals import CLASS_CODE, CLASS_LIST, STEP_CODE, STEP_LIST
from app.owner.ways import CopyWays
from app.shared.calendar import Calendar

LONDON = ZoneInfo("Europe/London")
CALENDAR = Calendar(LONDON)
NOW = int(datetime(2026, 5, 20, 12, tzinfo=LONDON).timestamp())


def some(rows, kind="horse", remembered=False):
    """Ways of (days ago ordered, days it took or was watched, outcome[, days unknown at first])."""
    size = len(rows)
    started = np.array([NOW - round(r[0] * DAY) for r in rows], dtype=np.int64)
    took = np.array([round(r[1] * DAY) for r in rows], dtype=np.int64)
    outcome = np.array([r[2] for r in rows], dtype=np.int64)
    known = started + np.array([round((r[3] if len(r) > 3 else 0) * DAY) for r in rows])
    nothing = np.zeros(size, dtype=np.int64)
    return CopyWays(
        root=np.arange(size), order=np.arange(size), number=1000 + np.arange(size),
        kind=np.array([kind] * size, dtype=object), remembered=np.full(size, remembered),
        started=started, known_from=known, ended=np.where(outcome == OPEN, 0, started + took),
        outcome=outcome, step=nothing, model=nothing, sisters=nothing, whole=outcome == FINISHED,
        seconds=np.zeros((size, len(STEP_LIST), len(CLASS_LIST)), dtype=np.int64),
    )  # fmt: skip


def test_months_are_the_studios_own_and_the_last_is_unfinished():
    starts = figures.month_starts(CALENDAR, NOW, 6)
    assert [d.month for d in starts] == [12, 1, 2, 3, 4, 5, 6]
    assert starts[0] == date(2025, 12, 1)
    edges = [CALENDAR.start_of(day) for day in starts]
    assert (edges[5] - edges[4]) / DAY == 30
    assert (edges[4] - edges[3]) / DAY == 31 - 1 / 24, "March loses the hour of the clock change"


def test_lead_times_stand_in_the_month_of_leaving_with_a_pieces_own_days_as_points():
    # Twenty pieces that leave on 20 April after 1 to 20 days, and two that leave in May.
    april = [(30 + d, d, FINISHED) for d in range(1, 21)]
    found = figures.figures(
        some([*april, (10, 4, FINISHED), (9, 8, FINISHED)]), [], CALENDAR, NOW, 6
    )
    month = found.finishing[4]
    assert (month.start, month.unfinished, len(month.days)) == (date(2026, 4, 1), False, 20)
    assert (month.median, month.slow) == (10, 17)  # nearest rank of 20 at .5 and .85
    may = found.finishing[5]
    assert may.unfinished
    assert may.days == (4.0, 8.0)
    assert (may.median, may.slow) == (None, None), "two pieces make no median"


def test_a_curve_counts_the_open_and_ends_where_chance_takes_over():
    # Forty ordered 12 days ago: 16 left after 5 days, 24 are open. S(5) = .6, no more is known.
    found = some([(12, 5, FINISHED)] * 16 + [(12, 0, OPEN)] * 24)
    curve = figures.curve_of(found, NOW)
    assert curve.survival.tolist() == pytest.approx([0.6])
    starts = figures.month_starts(CALENDAR, NOW, 6)
    edges = [CALENDAR.start_of(d) for d in starts]
    month = figures.by_starting(found, starts, edges, NOW)[5]
    assert (month.pieces, month.finished, month.open, month.half) == (40, 16, 24, None)
    # Twenty: 8 left after 5 days, 8 are watched for 6; of the 4 beyond, 2 left after 8. Greenwood:
    # at day 5 an error of .11; at day 8 .3 x sqrt(8 / 240 + 2 / 8) = .16, so that fall is not drawn.
    few = [(12, 5, FINISHED)] * 8 + [(6, 0, OPEN)] * 8 + [(12, 8, FINISHED), (12, 0, OPEN)] * 2
    assert figures.curve_of(some(few), NOW).times.tolist() == [5.0]
    assert figures.curve_of(some(few), NOW).last_seen == 8.0
    # With nobody open the curve is the empirical one, to its end.
    done = some([(12, 5, FINISHED), (12, 8, FINISHED)])
    assert figures.curve_of(done, NOW).survival.tolist() == pytest.approx([0.5, 0.0])


def test_an_imported_piece_counts_from_the_day_on_which_it_was_known():
    # One watched from the start leaves at 10; an imported one, known from day 15, leaves at 20.
    found = some([(40, 10, FINISHED), (40, 20, FINISHED, 15)])
    curve = figures.curve_of(found, NOW)
    assert curve.at_risk.tolist() == [1, 1], "at day 10 the imported one was not yet under watch"


def test_the_mean_split_adds_up_in_every_row_and_column():
    found = some([(20, 10, FINISHED), (30, 7, FINISHED), (30, 0, OPEN), (9, 5, CANCELLED)])
    waits, hands = CLASS_CODE[TimeClass.WAITING], CLASS_CODE[TimeClass.HANDS]
    theirs = CLASS_CODE[TimeClass.CUSTOMER]
    painting, photos = STEP_CODE[Step.PAINTING], STEP_CODE[Step.PHOTOS_WANTED]
    found.seconds[0, painting, waits] = 10 * DAY - 7 * 3600
    found.seconds[0, painting, hands] = 7 * 3600
    found.seconds[1, photos, theirs] = 7 * DAY
    split = figures.where_the_days_go(found, NOW - 60 * DAY)
    assert split is not None
    assert (split.pieces, split.seconds) == (2, 17 * DAY)
    # Means: 3.5 of the customer, 0.1458 in hand, 4.8542 waiting; in tenths 35, 1, 49.
    assert (split.customer, split.of(TimeClass.HANDS), split.of(TimeClass.WAITING)) == (35, 1, 49)
    assert split.total == 85 == sum(split.columns) + split.customer
    assert figures.where_the_days_go(found.take([2, 3]), 0) is None


@given(st.lists(st.integers(0, 10**7), min_size=4, max_size=4), st.integers(1, 40))
def test_tenths_of_a_day_add_up_to_the_rounded_whole(seconds, pieces):
    tenths = figures.tenths_of_a_day(np.array(seconds).reshape(2, 2), pieces)
    assert tenths.shape == (2, 2)
    assert abs(int(tenths.sum()) - sum(seconds) / (pieces * DAY) * 10) <= 0.5 + 1e-6
    assert np.abs(tenths.ravel() - np.array(seconds) / (pieces * DAY) * 10).max() < 1


def test_limits_are_drawn_from_six_whole_months_on_and_the_unfinished_one_is_left_out():
    def month(n, median, unfinished=False):
        return figures.Finishing(date(2026, n, 1), unfinished, (), median, None)

    five = [month(n, 30.0 + n) for n in range(1, 6)]
    assert figures.steadiness(five).chart is None
    even = [month(n, (20.0, 40.0)[n % 2]) for n in range(1, 7)]
    found = figures.steadiness([*even, month(7, 900.0, unfinished=True)])
    assert found.chart is not None
    assert len(found.rows) == 6
    # Neighbours differ by a factor of 2: sigma is ln 2 / 1.128 about sqrt(20 x 40).
    assert found.chart.centre == pytest.approx(800**0.5)
    assert found.chart.upper == pytest.approx(800**0.5 * 2 ** (3 / 1.128))
    assert found.outside() == []


def test_littles_law_of_a_steady_line_agrees_with_what_is_measured():
    # One piece a day, each ten days on the way, for long before and to the end of the window.
    rows = [(d, 10, FINISHED) for d in range(10, 200)] + [(d, 0, OPEN) for d in range(1, 10)]
    found = figures.flow(some(rows), NOW - 100 * DAY, NOW)
    assert found is not None
    assert found.measured_days == pytest.approx(10)
    assert found.check.expected_days == pytest.approx(10, rel=0.02)
    assert abs(found.apart) < 0.02
    assert figures.flow(some([]), 0, NOW) is None


def test_a_choice_leaves_out_other_kinds_and_the_remembered():
    from app.owner.ways import both

    found = both(some([(9, 5, FINISHED)]), some([(9, 5, FINISHED)], "goat", remembered=True))
    assert len(figures.chosen(found, Choice())) == 2
    assert figures.chosen(found, Choice(kind="goat")).kind.tolist() == ["goat"]
    assert figures.chosen(found, Choice(remembered=False)).kind.tolist() == ["horse"]


def test_working_time_leaves_out_what_nobody_closed_and_says_its_share():
    def worked(piece: int, step: Step, hours: float, *, assumed: bool = False, at: int = NOW):
        return Worked(Held(piece, step, 5, at, at + DAY), round(hours * 3600), assumed)

    done = [
        worked(3, Step.PAINTING, 2), worked(3, Step.PAINTING, 1), worked(5, Step.PAINTING, 3),
        worked(5, Step.PAINTING, 2, assumed=True), worked(3, Step.SHAPING, 4),
        worked(7, Step.SHAPING, 9, at=NOW - 90 * DAY), worked(9, Step.PACKING, 0),
    ]  # fmt: skip
    found = figures.working(done, NOW - DAY, 20)
    assert found is not None
    shaping, painting = found.rows
    assert (shaping.name, shaping.pieces, shaping.hours, shaping.assumed) == ("Shaping", 1, 4, 0)
    assert (painting.pieces, painting.hours, painting.assumed) == (2, 6, 2)
    assert (found.hours, found.assumed, found.assumed_in_100) == (10, 2, 17)
    assert found.hours_a_piece == 0.5
    assert figures.working(done, NOW - DAY, 19).hours_a_piece is None
    assert figures.working([], 0, 20) is None
