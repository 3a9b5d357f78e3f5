"""Who takes what in hand, who is there, and when nobody was free."""

from collections import namedtuple
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from app.leadtimes.floor import Crew
from app.owner.floor_hands import (
    Presence,
    Starts,
    attention,
    crews,
    holders,
    nobody_free,
    presence,
    several_at_once,
    skills,
)
from app.owner.floor_now import NAMES
from app.owner.floor_stays import asides, stays
from app.owner.intervals import KIND_CODE, STEP_CODE, Intervals, LogEntries, intervals
from app.owner.spans import Spans, spans_of
from app.shared.calendar import DAY, Calendar

HOUR = 3600
ZONE = ZoneInfo("Europe/Vienna")
CALENDAR = Calendar(ZONE)  # Monday to Friday, 9 to 17
Act = namedtuple("Act", "account moment entries")


def array(*values: int) -> np.ndarray:
    return np.array(values, dtype=np.int64)


def in_hand(*rows: tuple[int, str, int, int]) -> Intervals:
    """Intervals in hand: piece, step, from, until."""
    piece, step, start, end = zip(*rows, strict=True)
    no = np.zeros(len(rows), dtype=bool)
    none = np.zeros(len(rows), dtype=np.int64)
    codes = array(*(STEP_CODE[name] for name in step))
    return Intervals(
        array(*piece), codes, array(*start), array(*end), no, no, ~no, none, none, no, no
    )


def test_who_has_three_pieces_in_hand_gives_each_a_third():
    """By hand: A 0-6, B 2-6, C 2-4: two alone, two by three, two by two."""
    got = attention(array(0, 2, 2), array(6, 6, 4))
    assert got == pytest.approx([2 + 2 / 3 + 1, 2 / 3 + 1, 2 / 3])
    assert got.sum() == pytest.approx(6), "all of it, and nothing twice"


def test_nobody_is_free_while_each_has_something_in_hand_or_is_away():
    """Ada holds 0-4 and 6-8, Bo 2-7; Bo is away from 8 on."""
    start, end, who = array(0, 6, 2), array(4, 8, 7), array(1, 1, 2)
    whole = Spans.of([(0, 20)])
    free = nobody_free(start, end, who, [1, 2], {}, whole)
    assert list(zip(free.opens, free.closes, strict=True)) == [(2, 4), (6, 7)]
    away = {2: Presence(Spans.of([(0, 8)]), 0.4)}
    free = nobody_free(start, end, who, [1, 2], away, whole)
    assert list(zip(free.opens, free.closes, strict=True)) == [(2, 4), (6, 7)]
    free = nobody_free(start, end, who, [2], away, whole)
    assert list(zip(free.opens, free.closes, strict=True)) == [(2, 7), (8, 20)]


def test_a_piece_is_with_whoever_took_it_in_hand_last():
    found = in_hand((1, "shaping", 0, 5), (1, "shaping", 5, 9), (2, "shaping", 3, 4))
    starts = Starts.of([(1, "shaping", 0, 7, False)])
    assert holders(found, starts).tolist() == [7, 7, -1]


def test_a_step_at_which_pieces_are_taken_up_beside_others_keeps_nobody_from_work():
    found = in_hand(
        (1, "packing", 0, 90), (2, "packing", 10, 90), (3, "packing", 20, 90),
        (4, "painting", 100, 120), (5, "painting", 120, 140),
    )  # fmt: skip
    rows = zip(found.piece, ["packing"] * 3 + ["painting"] * 2, found.start, strict=True)
    starts = Starts.of([(piece, step, at, 7, False) for piece, step, at in rows])
    assert several_at_once(found, starts) == {"packing"}


def test_somebody_does_what_they_take_up_often_and_nobody_what_they_left():
    rows = [(n, "painting", n, 1, False) for n in range(95)]
    rows += [(n, "inspection", n, 1, False) for n in range(95, 100)]
    rows += [(100, "packing", 100, 1, False), (101, "shaping", 101, 2, True)]
    does = skills(Starts.of(rows), 0)
    assert does == {1: {"painting"}}, "five of 101 are under a twentieth"
    assert skills(Starts.of(rows), 50) == {1: {"painting", "inspection"}}
    assert skills(Starts.of(rows), 0, frozenset({"painting"})) == {}
    assert skills(Starts.of([]), 0) == {}


def test_people_who_do_the_same_are_one_crew():
    does = {1: frozenset({"painting", "shaping"}), 2: frozenset({"shaping", "painting"}),
            3: frozenset({"packing"})}  # fmt: skip
    both = Crew("Shaping, Painting", 2, ("Shaping", "Painting"), 0.75)
    assert set(crews(does, {1: 1.0, 2: 0.5}, NAMES)) == {both, Crew("Packing", 1, ("Packing",))}


def worked_days(first: date, days: int, hours: range, off: set[int] = frozenset()) -> list[Act]:
    rows = []
    for n in range(days):
        day = first + timedelta(days=n)
        if day.weekday() < 5 and n not in off:
            for hour in hours:
                moment = datetime(day.year, day.month, day.day, hour, 30, tzinfo=ZONE)
                rows.append(Act(1, int(moment.timestamp()), 2))
    return rows


def test_afternoons_and_weeks_away_are_seen_but_a_day_without_an_entry_is_not_a_day_off():
    first = date(2031, 3, 3)  # a Monday
    start = CALENDAR.start_of(first)
    hours = spans_of(CALENDAR, start, start + 27 * DAY)
    whole = presence(worked_days(first, 28, range(9, 17)), CALENDAR, hours)[1]
    assert whole.part == 1
    afternoons = presence(worked_days(first, 28, range(13, 17)), CALENDAR, hours)[1]
    assert afternoons.part == 0.5
    day = CALENDAR.start_of(date(2031, 3, 4))
    assert afternoons.spans.between(array(day), array(day + DAY)).tolist() == [4 * HOUR]
    assert afternoons.spans.between(array(day), array(day + 13 * HOUR)).tolist() == [0]
    away = presence(worked_days(first, 28, range(9, 17), {7, 8, 9, 10, 11, 15}), CALENDAR, hours)[1]
    assert away.part == 0.75, "five days in a row of twenty; the sixth stands alone"


def test_what_lies_before_the_first_entry_says_nothing_and_few_entries_no_hours():
    first = date(2031, 3, 3)
    start = CALENDAR.start_of(first)
    hours = spans_of(CALENDAR, start, start + 27 * DAY)
    late = presence(worked_days(first + timedelta(days=14), 14, range(9, 17)), CALENDAR, hours)[1]
    assert late.part == 1
    few = presence(worked_days(first, 25, range(9, 10)), CALENDAR, hours)[1]
    assert few.part == 1


@pytest.mark.parametrize(
    ("kinds", "part", "hours"), [("ask answer", True, 16), ("hold lift", False, 8)]
)
def test_a_piece_that_waits_for_a_part_lies_there_and_one_on_hold_is_left_out(kinds, part, hours):
    """In packing from Monday at nine to Wednesday at nine, the first day without its base."""
    monday = CALENDAR.start_of(date(2031, 3, 3)) + 9 * HOUR
    moments = array(monday, monday, monday + DAY, monday + 2 * DAY)
    no = np.zeros(4, dtype=bool)
    entries = LogEntries(
        piece=array(3, 3, 3, 3),
        kind=array(*(KIND_CODE[kind] for kind in ("enter", *kinds.split(), "move"))),
        step=array(*(STEP_CODE[name] for name in (*["packing"] * 3, "handed_over"))),
        at=moments, until=array(0, 0, 0, 0), drying=no, again=no,
        part=np.array([False, part, part, False]), batch=no,
    )  # fmt: skip
    found = intervals(entries)
    hours_of = spans_of(CALENDAR, monday, monday + 3 * DAY)
    known = stays(entries, found, array(0, 0, 0, 0), hours_of, Starts.of([]), {}, {})
    assert known.before[0] == hours * HOUR


def test_what_was_set_aside_is_told_by_how_long_after_that_moment_it_left():
    """Set aside on Monday until Tuesday noon and out on Wednesday at ten: five hours of Tuesday
    and one of Wednesday. Out before that moment is no time after it, and one that is here yet is
    not counted."""
    monday = CALENDAR.start_of(date(2031, 3, 3)) + 9 * HOUR
    noon, ten = monday + DAY + 3 * HOUR, monday + 2 * DAY + HOUR
    kinds = ["enter", "aside", "move", "enter", "aside", "move", "enter", "aside"]
    size, no = len(kinds), np.zeros(len(kinds), dtype=bool)
    entries = LogEntries(
        piece=array(3, 3, 3, 5, 5, 5, 7, 7), kind=array(*(KIND_CODE[kind] for kind in kinds)),
        step=array(*([STEP_CODE["painting"]] * 2 + [STEP_CODE["inspection"]]) * 3)[:size],
        at=array(monday, monday, ten, monday, monday, monday + HOUR, monday, monday),
        until=array(0, noon, 0, 0, noon, 0, 0, noon), drying=no, again=no, part=no, batch=no,
    )  # fmt: skip
    known = asides(entries, intervals(entries), spans_of(CALENDAR, monday, monday + 3 * DAY))
    assert known.later.tolist() == [6 * HOUR, 0]
    assert known.left.tolist() == [ten, monday + HOUR]
    assert {int(code) for code in known.step} == {STEP_CODE["painting"]}
