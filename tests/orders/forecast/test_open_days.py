"""Closures ahead and behind move what is told; and what a studio's whole record comes to."""

from dataclasses import replace
from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from app.flow.actions import Wish
from app.flow.actions import record as log_it
from app.flow.rules import Kind
from app.flow.steps import Step
from app.leadtimes.open_time import LEAST_SHARE
from app.orders.forecast import record
from app.orders.forecast.figuring import Figures, figure, ranges_of
from app.orders.forecast.open_days import closed_spans, open_time
from app.shared.calendar import DAY, USUAL_HOURS, Calendar
from app.studio.store import add_closure
from tests.making import CAST, HOUR, NOW, Wanted, make_order, walk
from tests.staff.browser import ClockedWorkshop

LONDON = ZoneInfo("Europe/London")
TODAY = date(2026, 3, 4)


def finished_orders(workshop: ClockedWorkshop, count: int, ended_before: int = NOW) -> None:
    """Orders that took some weeks each and were handed over, one after another.

    They were painted for 5 to 14 days, and all else took ten days.
    """
    for n in range(count):
        begun = ended_before - (count - n) * 2 * DAY - 30 * DAY
        made = make_order(
            workshop.database, CAST.desk, begun, [Wanted(step=Step.FINISHING)], needed_by=None
        )
        walk(workshop.database, made.model(), CAST.finisher, begun + 3 * DAY, "model_finished")
        walk(workshop.database, made.copy(), CAST.shaper, begun + 5 * DAY, "blank_done", "shaped",
             each=2 * DAY)  # fmt: skip
        painted = begun + (12 + n % 10) * DAY
        walk(workshop.database, made.copy(), CAST.painter, painted, "painted", "passed", "handed_over",
             each=HOUR)  # fmt: skip


def closed(workshop: ClockedWorkshop, first: date, days: int) -> None:
    with workshop.database.writing() as db:
        add_closure(db, first, first + timedelta(days=days - 1), "the roof is mended")
    workshop.forget()


def figures(workshop: ClockedWorkshop) -> Figures:
    return figure(workshop.folder.database_file, workshop.moment)


@pytest.mark.parametrize(
    ("finished", "basis"), [(0, "defaults"), (3, "blend"), (19, "blend"), (20, "own")]
)
def test_it_says_what_the_ranges_rest_on(
    workshop: ClockedWorkshop, finished: int, basis: str
) -> None:
    finished_orders(workshop, finished)
    painting = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.PAINTING)]
    )
    wanted = make_order(workshop.database, CAST.desk, NOW)
    found = figures(workshop)
    assert found.orders[painting.id][1] == found.orders[wanted.id][1] == basis
    median = found.orders[painting.id][0][3]
    # By the trade's usual stays 18 days remain; by this record 5 to 14, of 12 to 21 in all.
    assert 5 < median < 19
    assert found.orders[wanted.id][0] == found.entering
    assert found.orders[painting.id][0] == sorted(found.orders[painting.id][0])


def test_the_more_have_finished_the_less_the_trade_has_to_say(workshop: ClockedWorkshop) -> None:
    """Everything took about 2 days from painting on: the defaults say 18."""
    painting = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.PAINTING)]
    )
    medians = []
    for _ in range(3):
        medians.append(figures(workshop).orders[painting.id][0][3])
        for n in range(10):
            quick = make_order(
                workshop.database, CAST.desk, NOW - (9 - n % 5) * DAY,
                [Wanted(step=Step.READY, copy_step=Step.PAINTING)],
            )  # fmt: skip
            walk(workshop.database, quick.copy(), CAST.painter, NOW - (7 - n % 5) * DAY,
                 "painted", "passed", "handed_over", each=60)  # fmt: skip
    assert medians[0] > medians[1] > medians[2]
    assert medians[0] == pytest.approx(18, abs=0.5)
    assert medians[2] < 3


@pytest.mark.parametrize("finished", [0, 25])
def test_a_fortnight_closed_ahead_moves_the_range_by_a_fortnight(
    workshop: ClockedWorkshop, finished: int
) -> None:
    finished_orders(workshop, finished)
    painting = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.PAINTING)]
    )
    plain = figures(workshop)
    closed(workshop, TODAY + timedelta(days=1), 14)
    later = figures(workshop)
    moved = np.array(later.orders[painting.id][0]) - np.array(plain.orders[painting.id][0])
    # 14 hours of today are left; what is ready by then is ready all the same.
    ahead = np.array(plain.orders[painting.id][0]) > 14 / 24
    assert ahead[3:].all()
    assert moved[~ahead] == pytest.approx(0, abs=1e-9)
    assert (moved[ahead] > 11).all()
    assert (moved[ahead] < 14).all()
    assert (np.array(later.entering)[3:] - np.array(plain.entering)[3:] > 11).all()


def test_a_closure_after_the_range_moves_nothing(workshop: ClockedWorkshop) -> None:
    painting = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.PAINTING)]
    )
    plain = figures(workshop).orders[painting.id]
    closed(workshop, TODAY + timedelta(days=200), 14)
    assert figures(workshop).orders[painting.id] == plain


def test_a_piece_that_is_old_because_the_house_was_closed_is_not_late(
    workshop: ClockedWorkshop,
) -> None:
    """Two studios with one record, and a piece that came in a fortnight and a day ago."""
    finished_orders(workshop, 30, ended_before=NOW - 20 * DAY)
    old = make_order(
        workshop.database,
        CAST.desk,
        NOW - 15 * DAY,
        [Wanted(step=Step.READY, copy_step=Step.PAINTING)],
    )
    new = make_order(
        workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.READY, copy_step=Step.PAINTING)]
    )
    before = figures(workshop)
    closed(workshop, TODAY - timedelta(days=15), 14)
    after = figures(workshop)
    apart = [abs(f.orders[old.id][0][3] - f.orders[new.id][0][3]) for f in (before, after)]
    assert apart[1] < apart[0] / 2, apart


@pytest.mark.parametrize("alike", [True, False])
def test_pieces_that_end_together_make_an_order_ready_sooner(
    workshop: ClockedWorkshop, alike: bool
) -> None:
    """Forty orders of two copies: each copy takes 5 to 14 days in painting, its sister as many, or
    many where it takes few. One by one they are the same; the last of two comes later.
    """
    for n in range(40):
        begun = NOW - (95 - 2 * n) * DAY
        made = make_order(
            workshop.database, CAST.desk, begun, [Wanted(step=Step.READY, copies=2,
                                                  copy_step=Step.PAINTING)],
        )  # fmt: skip
        second = 5 + n % 10 if alike else 14 - n % 10
        for code, days in (("A1", 5 + n % 10), ("A2", second)):
            walk(workshop.database, made.copy(code), CAST.painter, begun + days * DAY,
                 "painted", "passed", "handed_over", each=60)  # fmt: skip
    two = make_order(
        workshop.database,
        CAST.desk,
        NOW,
        [Wanted(step=Step.READY, copies=2, copy_step=Step.PAINTING)],
    )
    with workshop.database.reading() as db:
        known = record.read(db)
    never = closed_spans(calendar())
    points = ranges_of(known, [two.id], never, NOW)[0][two.id][0]
    alone = dict.fromkeys(known.order_of, 0) | {two.copy("A1").id: 1}
    one_by_one = ranges_of(replace(known, order_of=alone), [1], never, NOW)[0][1][0]
    wait = points[3] - one_by_one[3]
    assert wait < 1.5 if alike else wait > 1.8


@pytest.mark.parametrize("finished", [0, 30])
def test_several_copies_that_wait_for_photos_have_the_range_of_the_last_of_them(
    workshop: ClockedWorkshop, finished: int
) -> None:
    finished_orders(workshop, finished)
    one = make_order(workshop.database, CAST.desk, NOW)
    four = make_order(workshop.database, CAST.desk, NOW, [Wanted(copies=3), Wanted("Bo")])
    found = figures(workshop)
    alone, last = (np.array(found.orders[made.id][0]) for made in (one, four))
    assert alone.tolist() == found.entering
    assert (last >= alone).all()
    # The last of four is in the middle of its range where one is late: between its 75 and 90 %.
    assert alone[4] < last[3] < alone[6]


def test_what_has_passed_counts_where_it_stands_while_photos_are_awaited(
    workshop: ClockedWorkshop,
) -> None:
    """One animal painted, one whose photos are still to come: as if these passed today."""
    mixed = make_order(
        workshop.database, CAST.desk, NOW,
        [Wanted(step=Step.READY, copy_step=Step.PAINTING), Wanted("Bo")],
    )  # fmt: skip
    both = make_order(workshop.database, CAST.desk, NOW, [Wanted(), Wanted("Bo")])
    found = figures(workshop)
    first, second = (np.array(found.orders[made.id][0]) for made in (mixed, both))
    assert (first >= found.entering).all()
    assert (first[3:] < second[3:]).all()


@pytest.mark.parametrize("step", [Step.FINISHING, Step.READY])
def test_what_is_on_hold_goes_on_no_sooner_than_it_is_looked_at_again(
    workshop: ClockedWorkshop, step: Step
) -> None:
    """Two alike; one is on hold because its customer travels, until 15 April: 42 days ahead."""
    finished_orders(workshop, 30)
    wanted = [Wanted(step=step, copy_step=Step.PAINTING if step is Step.READY else Step.NOT_BEGUN)]
    held, other = (
        make_order(workshop.database, CAST.desk, NOW - 2 * DAY, wanted) for _ in range(2)
    )
    plain = figures(workshop)
    ref = held.copy() if step is Step.READY else held.model()
    wish = Wish(ref, Kind.HOLD, reason="travelling", whose="customer", look_on="2026-04-15")
    log_it(workshop.database, [wish], CAST.desk, NOW)
    found = figures(workshop)
    assert found.orders[other.id] == plain.orders[other.id]
    rested = np.array(found.orders[held.id][0]) - 42 + 10 / 24  # from the first moment of the day
    assert (rested > 0).all()
    assert rested[3] == pytest.approx(plain.orders[other.id][0][3], abs=3), "then as others do"
    workshop.moment = NOW + 50 * DAY
    found = figures(workshop)
    assert found.orders[held.id][0] == pytest.approx(found.orders[other.id][0], rel=0.1), "past"


# ---------------------------------------------------------------- spans of the calendar


def calendar(*days: date, hours: object = USUAL_HOURS) -> Calendar:
    return Calendar(LONDON, hours, frozenset(days))  # type: ignore[arg-type]


def test_days_in_a_row_are_one_span_over_the_clock_change() -> None:
    """27 to 30 March 2026: the night of the 29th the clock goes forward, so 95 hours."""
    run = [date(2026, 3, day) for day in (27, 28, 29, 30)]
    found = closed_spans(calendar(*run, date(2026, 4, 3)))
    assert (found.ends - found.starts).tolist() == [95 * HOUR, 24 * HOUR]
    assert found.starts[0] == calendar().start_of(date(2026, 3, 27))


def test_a_holiday_on_a_free_day_closes_nothing() -> None:
    sunday = date(2026, 3, 8)
    assert not closed_spans(calendar(sunday)).starts.size
    open_on_sundays = {6: ((time(9), time(12)),)}
    assert closed_spans(calendar(sunday, hours=open_on_sundays)).starts.size == 1
    assert closed_spans(calendar(sunday, date(2026, 3, 9))).starts.size == 1


def test_a_studio_in_which_nothing_moves_while_closed_shows_it(workshop: ClockedWorkshop) -> None:
    finished_orders(workshop, 30)
    with workshop.database.reading() as db:
        log = record.read(db).log
    days = [TODAY - timedelta(days=n) for n in range(20, 34)]
    busy = open_time(calendar(*days), log, NOW)
    assert busy.share > LEAST_SHARE
    quiet = open_time(calendar(*(TODAY - timedelta(days=n) for n in range(1, 3))), log, NOW)
    assert quiet.share < busy.share
