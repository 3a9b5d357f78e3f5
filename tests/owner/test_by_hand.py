"""One stay over a clock change and two holidays, worked out by hand, to the second.

London, spring of 2026; the studio works Monday to Friday from 9 to 17. A copy comes to painting on
Friday 27 March at 16:20:07 and is taken in hand at 16:30. On Sunday the 29th the clock goes forward
an hour. Good Friday, 3 April, and Easter Monday, 6 April, are holidays. It is painted on Tuesday
7 April at 9:30:12.

    From 27 March 16:20:07 to 7 April 9:30:12    10 days 17:10:05 by the clock on the wall
                                                 = 10 x 86 400 + 61 805       925 805
    less the hour that was skipped               - 3 600                      922 205  the stay
    closed: two days of 24 hours                 2 x 86 400                   172 800
    in hand: Friday 16:30 to 17                  1 800
             Monday to Thursday, 4 x 8 hours     115 200
             Tuesday 9 to 9:30:12                1 812                        118 812
    waiting: the rest                            922 205 - 172 800 - 118 812  630 593
    open time, a closed second being a quarter   922 205 - 3/4 x 172 800      792 605
"""

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.stays import stays
from app.flow.steps import Of, Step, TimeClass
from app.flow.store import log_of
from app.leadtimes.forecast.levels import LEVELS
from app.leadtimes.forecast.pieces import forecast_from_entering
from app.leadtimes.log import DAY, make_log
from app.leadtimes.open_time import opened
from app.orders.forecast import record as own
from app.orders.forecast.open_days import closed_spans
from app.owner import store
from app.owner.intervals import CLASS_CODE, STEP_CODE
from app.owner.spans import spans_of
from app.owner.ways import ways
from app.studio import store as studio
from tests.making import CAST, Wanted, make_order, move

STAY, CLOSED, HANDS, WAITING, OPEN = 922_205, 172_800, 118_812, 630_593, 792_605
LONDON = ZoneInfo("Europe/London")


def at(*when: int) -> int:
    return int(datetime(2026, *when, tzinfo=LONDON).timestamp())


CAME, TAKEN, PAINTED = at(3, 27, 16, 20, 7), at(3, 27, 16, 30), at(4, 7, 9, 30, 12)


@pytest.fixture
def english(empty):
    """A studio that keeps England's holidays, at the moment at which the copy is handed over."""
    with empty.database.writing() as db:
        england = {"country": "GB", "region": "ENG", "zone": "Europe/London"}
        studio.save(db, england, studio.load(db), None, CAME)
    empty.forget()
    empty.moment = PAINTED
    return empty


@pytest.fixture
def painted(english):
    made = make_order(
        english.database, CAST.desk, CAME, [Wanted(step=Step.READY, copy_step=Step.PAINTING)]
    )
    record(english.database, [Wish(made.copy(), Kind.START)], CAST.painter, TAKEN)
    move(english.database, made.copy(), CAST.painter, PAINTED, "painted")
    return made.copy()


def time_of(workshop):
    return replace(closed_spans(workshop.in_force().calendar), share=0.25)


def test_the_example_adds_up():
    assert PAINTED - CAME == STAY == CLOSED + HANDS + WAITING
    assert STAY - 3 * CLOSED // 4 == OPEN


def test_the_stay_and_its_classes(english, painted):
    with english.database.reading() as db:
        log = log_of(db, painted)
    stay = stays(Of.COPY, log, english.in_force().calendar, PAINTED)[0]
    assert (stay.entered, stay.left, stay.seconds()) == (CAME, PAINTED, STAY)
    assert stay.classes == {
        TimeClass.CLOSED: CLOSED, TimeClass.HANDS: HANDS, TimeClass.WAITING: WAITING,
    }  # fmt: skip


def test_the_same_in_the_arrays_of_the_lead_time_page(english, painted):
    move(english.database, painted, CAST.painter, PAINTED, "passed")
    move(english.database, painted, CAST.painter, PAINTED, "handed_over")
    with english.database.reading() as db:
        raw = store.since(db, 0)
    found = ways(raw.copies, raw.entries, spans_of(english.in_force().calendar, CAME, PAINTED))
    seconds = found.seconds[0, STEP_CODE[Step.PAINTING]]
    assert found.lead.tolist() == [STAY] == [int(seconds.sum())]
    kinds = (TimeClass.CLOSED, TimeClass.HANDS, TimeClass.WAITING)
    assert [int(seconds[CLASS_CODE[kind]]) for kind in kinds] == [CLOSED, HANDS, WAITING]


def test_the_same_in_the_open_time_of_the_record(english, painted):
    with english.database.reading() as db:
        log = own.read(db).log
    assert (log.left - log.entered)[0] == STAY
    mapped = opened(log, time_of(english))
    assert (mapped.left - mapped.entered)[0] == OPEN


def test_a_forecast_in_open_time_is_told_in_the_seconds_that_pass(english):
    """Thirty pieces of the year before took 792 605 open seconds each; so will one that comes now.

    Told from Friday 27 March 16:20:07, that is Tuesday 7 April 9:30:12.
    """
    time = time_of(english)
    came = time.to_open(CAME - (400 - np.arange(30)) * DAY)
    log = make_log(np.arange(30), np.zeros(30), came, came + OPEN, steps=["painting"])
    levels, basis = forecast_from_entering(log, 0, float(time.to_open(CAME)), None)
    assert basis == "own"
    assert levels * DAY == pytest.approx(np.full(LEVELS.size, OPEN), abs=0.01)
    told = time.days_after(CAME, levels) * DAY
    assert np.rint(told).tolist() == [STAY] * LEVELS.size
