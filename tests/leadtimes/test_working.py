"""Working time: split over what is held together, to the second, and what nobody closed apart."""

from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.flow.rules import Entry, Kind
from app.flow.steps import Step
from app.leadtimes.working import Held, held_in, laid_down, split
from app.shared.calendar import DAY, Calendar

LONDON = ZoneInfo("Europe/London")
CALENDAR = Calendar(
    LONDON,
    dict.fromkeys(range(5), ((time(9), time(12, 30)), (time(13), time(17)))),
    frozenset({date(2026, 4, 3)}),
)
HOUR = 3_600


def at(day: int, hour: int, minute: int = 0) -> int:
    """A moment of March 2026; the 2nd is a Monday."""
    return int(datetime(2026, 3, day, hour, minute, tzinfo=LONDON).timestamp())


def held(piece: int, start: int, end: int, person: int = 5) -> Held:
    return Held(piece, Step.PAINTING, person, start, end)


def parts(*some: Held) -> list[int]:
    return [one.seconds for one in split(some, CALENDAR)]


def test_an_hour_with_six_pieces_in_hand_is_an_hour_of_work() -> None:
    six = [held(n, at(2, 9), at(2, 10)) for n in range(6)]
    assert parts(*six) == [600] * 6


def test_who_holds_one_alone_for_a_while_gives_it_that_time_whole() -> None:
    # 9:00-10:00 A alone, 10:00-11:00 both, 11:00-12:00 B alone.
    assert parts(held(1, at(2, 9), at(2, 11)), held(2, at(2, 10), at(2, 12))) == [5400, 5400]


def test_two_people_share_nothing_and_the_pause_at_noon_is_nobodys() -> None:
    both = [held(1, at(2, 12), at(2, 14)), held(2, at(2, 12), at(2, 14), person=4)]
    assert parts(*both) == [90 * 60, 90 * 60]


def test_a_second_that_does_not_divide_is_lost_nowhere() -> None:
    three = [held(n, at(2, 9), at(2, 9) + 100) for n in range(3)]
    assert parts(*three) == [34, 33, 33]


@pytest.mark.parametrize(
    ("start", "end", "until", "assumed"),
    [
        (at(2, 15), at(2, 16), at(2, 16), False),
        (at(2, 15), at(2, 18), at(2, 18), False),  # done after hours, but done
        (at(2, 15), at(3, 10), at(2, 17), True),  # the night between
        (at(6, 15), at(9, 10), at(6, 17), True),  # the weekend between
        (at(2, 19), at(3, 10), at(2, 19), True),  # begun in the evening
        (at(7, 11), at(9, 10), at(7, 11), True),  # begun on a Saturday
    ],
)
def test_a_timer_that_nobody_closed_ends_with_the_hours_of_its_day(
    start: int, end: int, until: int, assumed: bool
) -> None:
    assert laid_down(held(1, start, end), CALENDAR) == (until, assumed)


def test_what_is_assumed_takes_its_part_while_it_runs_and_is_told_apart() -> None:
    closed, forgotten = split(
        [held(1, at(2, 15), at(2, 17)), held(2, at(2, 15), at(4, 9))], CALENDAR
    )
    assert (closed.seconds, closed.assumed) == (HOUR, False)
    assert (forgotten.seconds, forgotten.assumed) == (HOUR, True)


def entry(seq: int, kind: Kind, at_: int, by: int = 5, to: Step | None = None) -> Entry:
    return Entry(seq, seq, kind, at_, at_, to, by=by)


def test_hands_are_read_from_the_log_and_a_taking_over_ends_what_was_begun() -> None:
    line = [
        entry(1, Kind.ENTER, 10, to=Step.SHAPING),
        entry(2, Kind.START, 20),
        entry(3, Kind.ASK, 25),
        entry(4, Kind.START, 30, by=4),
        entry(5, Kind.ASIDE, 40, by=4),
        entry(6, Kind.START, 50, by=4),
        entry(7, Kind.MOVE, 60, to=Step.PAINTING),
        entry(8, Kind.START, 70),
        entry(9, Kind.HOLD, 80, by=2),
        entry(10, Kind.LIFT, 90, by=2),
    ]
    found = [(h.step, h.person, h.start, h.end) for h in held_in(9, line, 100)]
    assert found == [
        (Step.SHAPING, 5, 20, 30), (Step.SHAPING, 4, 30, 40), (Step.SHAPING, 4, 50, 60),
        (Step.PAINTING, 5, 70, 80), (Step.PAINTING, 5, 90, 100),
    ]  # fmt: skip


STRETCH = st.builds(
    lambda piece, person, start, long: held(piece, start, start + long, person),
    st.integers(0, 7), st.integers(4, 5),
    st.integers(at(25, 0), at(25, 0) + 12 * DAY), st.one_of(st.integers(0, 9 * HOUR), st.integers(0, 3 * DAY)),
)  # fmt: skip


@given(st.lists(STRETCH, max_size=14))
def test_the_parts_of_a_person_add_up_to_the_time_in_which_they_held_anything(
    some: list[Held],
) -> None:
    """Over the clock change of 29 March and the closed 3 April; the union is counted apart."""
    found = split(some, CALENDAR)
    assert [one.held for one in found] == some
    for person in (4, 5):
        own = [(h.start, laid_down(h, CALENDAR)[0]) for h in some if h.person == person]
        union, reached = 0, 0
        for start, end in sorted(own):
            union += CALENDAR.working_seconds(max(start, reached), max(end, reached))
            reached = max(reached, end)
        assert sum(one.seconds for one in found if one.held.person == person) == union
    assert all(one.seconds >= 0 for one in found)
