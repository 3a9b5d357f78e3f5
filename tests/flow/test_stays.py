"""Stays and their time classes, by hand and by property.

Unless a test says otherwise the studio works Monday to Friday, 9:00 to 17:00, in Berlin. The
clocks went forward there on Sunday 29 March 2026 and back on Sunday 25 October 2026.
"""

from dataclasses import replace
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.flow.rules import BATCH, UNASKED, Kind
from app.flow.stays import stays
from app.flow.steps import Of, Step, TimeClass
from app.shared.calendar import USUAL_HOURS, Calendar
from tests.flow.lines import START, WALKS, Line

HOUR = 3_600
ZONE = ZoneInfo("Europe/Berlin")
CALENDAR = Calendar(ZONE)
C = TimeClass


def at(text: str) -> int:
    """A moment of the studio's wall clock."""
    return int(datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp())


def hours(stay) -> dict[TimeClass, float]:
    return {kind: seconds / HOUR for kind, seconds in stay.classes.items()}


def painting(entered: str) -> Line:
    line = Line(Of.COPY)
    line.enter(Step.PAINTING, at(entered))
    return line


def only_stay(line: Line, calendar: Calendar = CALENDAR, now: str = "2027-01-01", **more):
    (stay,) = stays(line.of, line.log, calendar, at(now), **more)
    return stay


# ---------------------------------------------------------------- each class, by hand


def test_hands_and_waiting_over_the_weekend_on_which_clocks_go_forward():
    line = painting("2026-03-27 10:00")  # Friday
    line.add(Kind.START, at("2026-03-27 11:00"), by=1)
    line.move("painted", Step.INSPECTION, at("2026-03-30 11:00"))  # Monday
    stay = stays(Of.COPY, line.log, CALENDAR, at("2026-03-30 11:00"))[0]
    # Friday 10 to Monday 11 is 73 hours of wall clock, less the hour that was skipped: 72.
    # In hand Friday 11 to 17 (6) and Monday 9 to 11 (2): 8. The rest waits: 72 - 8 = 64.
    assert hours(stay) == {C.HANDS: 8, C.WAITING: 64}
    assert (stay.outcome, stay.left) == ("painted", at("2026-03-30 11:00"))


def test_hands_and_waiting_over_the_weekend_on_which_clocks_go_back():
    line = painting("2026-10-23 10:00")  # Friday
    line.add(Kind.START, at("2026-10-23 11:00"), by=1)
    line.move("painted", Step.INSPECTION, at("2026-10-26 11:00"))  # Monday
    stay = stays(Of.COPY, line.log, CALENDAR, at("2026-10-26 11:00"))[0]
    # 73 hours of wall clock and the hour that came twice: 74. In hand 6 + 2 = 8; 74 - 8 = 66.
    assert hours(stay) == {C.HANDS: 8, C.WAITING: 66}


def test_closed_days_are_whole_days_and_a_free_weekend_is_not_among_them():
    easter = Calendar(ZONE, closed=frozenset({date(2026, 4, 3), date(2026, 4, 6)}))
    line = painting("2026-04-02 15:00")  # Thursday before Good Friday
    line.add(Kind.START, at("2026-04-02 15:00"), by=1)
    line.move("painted", Step.INSPECTION, at("2026-04-07 10:00"))  # Tuesday
    stay = stays(Of.COPY, line.log, easter, at("2026-04-07 10:00"))[0]
    # Thursday 15 to Tuesday 10: 4 days and 19 hours = 115. Closed: Friday and Monday, 48.
    # In hand: Thursday 15 to 17 (2), Tuesday 9 to 10 (1) = 3. Waiting: 115 - 48 - 3 = 64.
    assert hours(stay) == {C.CLOSED: 48, C.HANDS: 3, C.WAITING: 64}


@pytest.mark.parametrize(
    ("saturday", "monday", "closed_hours"),
    [("2026-03-28 12:00", "2026-03-30 12:00", 23), ("2026-10-24 12:00", "2026-10-26 12:00", 25)],
)
def test_a_closed_sunday_of_the_clock_change_is_as_long_as_it_was(saturday, monday, closed_hours):
    sunday = datetime.fromisoformat(saturday).date().replace(day=int(saturday[8:10]) + 1)
    calendar = Calendar(ZONE, closed=frozenset({sunday}))
    stay = only_stay(painting(saturday), calendar, monday)
    # Saturday 12 to 24 (12), the Sunday, Monday 0 to 12 (12).
    assert hours(stay) == {C.CLOSED: closed_hours, C.WAITING: 24}


def test_drying_is_rest_until_its_time_and_waiting_after_it():
    line = painting("2026-05-04 09:00")  # Monday
    line.add(Kind.START, at("2026-05-04 09:00"), by=1)
    until = at("2026-05-05 12:00")
    line.add(Kind.ASIDE, at("2026-05-04 12:00"), by=1, reason="drying", until=until)
    line.add(Kind.START, at("2026-05-05 14:00"), by=1)
    line.move("painted", Step.INSPECTION, at("2026-05-05 15:00"))
    stay = stays(Of.COPY, line.log, CALENDAR, at("2026-05-05 15:00"))[0]
    # In hand Monday 9 to 12 (3) and Tuesday 14 to 15 (1); drying 24; waiting Tuesday 12 to 14 (2).
    # 4 + 24 + 2 = 30 = Monday 9 to Tuesday 15.
    assert hours(stay) == {C.HANDS: 4, C.REST: 24, C.WAITING: 2}


def test_drying_over_a_closed_day_is_rest_and_taking_up_early_ends_it():
    calendar = Calendar(ZONE, closed=frozenset({date(2026, 5, 5)}))
    line = painting("2026-05-04 12:00")
    until = at("2026-05-07 12:00")
    line.add(Kind.ASIDE, at("2026-05-04 12:00"), by=1, reason="drying", until=until)
    line.add(Kind.START, at("2026-05-06 09:00"), by=1)
    stay = only_stay(line, calendar, "2026-05-06 10:00")
    # Monday 12 to Wednesday 9 is 45 hours of drying, the closed Tuesday within; then 1 in hand.
    assert hours(stay) == {C.REST: 45, C.HANDS: 1}


def test_set_aside_for_any_other_reason_is_waiting():
    line = painting("2026-05-04 09:00")
    until = at("2026-05-05 09:00")
    line.add(Kind.ASIDE, at("2026-05-04 09:00"), by=1, reason="out of umber", until=until)
    assert hours(only_stay(line, now="2026-05-05 09:00")) == {C.WAITING: 24}


def test_a_packed_copy_rests_until_its_varnish_is_hard():
    line = Line(Of.COPY)
    line.enter(Step.INSPECTION, at("2026-05-04 11:00"))
    until = at("2026-05-05 12:00")
    line.move("passed", Step.PACKING, at("2026-05-04 12:00"), until=until)
    line.move("handed_over", Step.HANDED_OVER, at("2026-05-05 15:00"))
    stay = stays(Of.COPY, line.log, CALENDAR, at("2026-05-05 15:00"))[1]
    # Monday 12 to Tuesday 12 rests (24), Tuesday 12 to 15 waits (3).
    assert hours(stay) == {C.REST: 24, C.WAITING: 3}


def test_a_machine_runs_day_and_night_and_on_holidays():
    calendar = Calendar(ZONE, closed=frozenset({date(2026, 5, 1)}))
    line = Line(Of.COPY)
    line.enter(Step.BLANK, at("2026-04-30 10:00"))  # Thursday; Friday 1 May is closed
    # Thursday 10 to Monday 10: four days = 96 hours.
    assert hours(only_stay(line, calendar, "2026-05-04 10:00")) == {C.MACHINE: 96}


def test_the_queue_for_a_machine_and_the_run_are_two_classes():
    calendar = Calendar(ZONE, closed=frozenset({date(2026, 5, 1)}))
    line = Line(Of.COPY)
    line.enter(Step.BLANK, at("2026-04-30 10:00"))  # Thursday; Friday 1 May is closed
    line.add(Kind.START, at("2026-05-02 10:00"), move=BATCH, amount=1)
    line.add(Kind.FINDING, at("2026-05-03 12:00"), move=BATCH, amount=1, reason="a void")
    line.add(Kind.START, at("2026-05-03 16:00"), move=BATCH, amount=2)
    line.move("blank_done", Step.SHAPING, at("2026-05-04 10:00"))
    stay = stays(Of.COPY, line.log, calendar, at("2026-05-04 10:00"))[0]
    # Thursday 10 to Saturday 10 is 48 hours, 24 of them closed: nobody starts a machine then. In
    # it 26 and 18 hours, 4 between the two.
    assert hours(stay) == {C.QUEUE: 28, C.CLOSED: 24, C.MACHINE: 44}
    model = Line(Of.MODEL)
    model.enter(Step.PHOTOS_IN, at("2026-04-30 10:00"))
    model.move("build_started", Step.BUILDING, at("2026-05-02 10:00"))
    model.move("build_finished", Step.ASSESSING, at("2026-05-02 20:00"))
    queue, build, _ = stays(Of.MODEL, model.log, calendar, at("2026-05-02 20:00"))
    assert hours(queue) == {C.QUEUE: 24, C.CLOSED: 24}
    assert hours(build) == {C.MACHINE: 10}


def test_photos_are_the_customers_time_until_they_say_that_they_sent_them():
    line = Line(Of.MODEL)
    line.enter(Step.PHOTOS_WANTED, at("2026-05-04 09:00"))
    line.add(Kind.TOLD, at("2026-05-06 09:00"))
    line.move("photos_counted", Step.PHOTOS_IN, at("2026-05-07 09:00"))
    stay = stays(Of.MODEL, line.log, CALENDAR, at("2026-05-07 09:00"))[0]
    # Monday 9 to Wednesday 9 is the customer's (48); fetching them is ours (24).
    assert hours(stay) == {C.CUSTOMER: 48, C.WAITING: 24}


def test_an_open_question_is_the_customers_time_even_with_the_piece_in_hand():
    line = painting("2026-05-04 09:00")
    line.add(Kind.START, at("2026-05-04 09:00"), by=1)
    line.add(Kind.ASK, at("2026-05-04 11:00"))
    line.add(Kind.ASK, at("2026-05-04 12:00"), question_id=2)
    line.add(Kind.ANSWER, at("2026-05-05 10:00"))
    line.add(Kind.ANSWER, at("2026-05-05 11:00"), question_id=2)
    stay = only_stay(line, now="2026-05-05 12:00")
    # In hand Monday 9 to 11 (2) and Tuesday 11 to 12 (1); two questions, 24 hours with one open.
    assert hours(stay) == {C.HANDS: 3, C.CUSTOMER: 24}


def test_what_nobody_has_shown_the_customer_is_our_time_and_then_theirs():
    line = painting("2026-05-04 09:00")
    line.add(Kind.ASK, at("2026-05-04 11:00"), move=UNASKED)
    line.add(Kind.ASK, at("2026-05-04 12:00"))
    line.add(Kind.ANSWER, at("2026-05-04 14:00"))
    line.add(Kind.ASK, at("2026-05-04 15:00"), question_id=2, move=UNASKED)
    line.add(Kind.ANSWER, at("2026-05-04 16:00"), question_id=2, move=UNASKED)
    stay = only_stay(line, now="2026-05-04 17:00")
    assert hours(stay) == {C.WAITING: 6, C.CUSTOMER: 2}


def test_a_hold_goes_before_everything():
    line = Line(Of.MODEL)
    line.enter(Step.BUILDING, at("2026-05-04 09:00"))
    line.add(Kind.ASK, at("2026-05-04 10:00"))
    line.add(Kind.HOLD, at("2026-05-04 11:00"), reason="resin is late", whose="supplier")
    line.move("build_finished", Step.ASSESSING, at("2026-05-04 14:00"))
    line.add(Kind.LIFT, at("2026-05-04 15:00"))
    build, look = stays(Of.MODEL, line.log, CALENDAR, at("2026-05-04 16:00"))
    # Build: 9 to 10 the machine's, 10 to 11 the customer's, 11 to 14 on hold.
    assert hours(build) == {C.MACHINE: 1, C.CUSTOMER: 1, C.HOLD: 3}
    # Assessment: 14 to 15 still on hold, then the question is still open.
    assert hours(look) == {C.HOLD: 1, C.CUSTOMER: 1}


def test_on_the_way_is_the_carriers_time():
    line = Line(Of.COPY)
    line.enter(Step.HANDED_OVER, at("2026-05-08 10:00"))
    line.move("received", Step.RECEIVED, at("2026-05-12 10:00"))
    # Friday 10 to Tuesday 10: 96 hours. Received is an end and no stay.
    assert hours(only_stay(line)) == {C.CARRIER: 96}


def test_a_packed_copy_waits_for_the_rest_of_its_order_and_only_there():
    line = Line(Of.COPY)
    line.enter(Step.INSPECTION, at("2026-05-04 09:00"))
    line.move("passed", Step.PACKING, at("2026-05-04 10:00"), until=at("2026-05-04 20:00"))
    line.add(Kind.START, at("2026-05-06 09:00"), by=1)
    packed, ready = at("2026-05-04 10:00"), at("2026-05-06 08:00")
    rest = [(packed, ready)]
    inspection, packing = stays(Of.COPY, line.log, CALENDAR, at("2026-05-06 11:00"), rest)
    assert hours(inspection) == {C.WAITING: 1}
    # Monday 10 to Wednesday 8 for its sisters (46, before the rest of its varnish); 8 to 9
    # waiting, 9 to 11 in hand.
    assert hours(packing) == {C.REST_OF_ORDER: 46, C.WAITING: 1, C.HANDS: 2}


# ---------------------------------------------------------------- stays as such


def test_an_open_stay_reaches_to_now_and_has_no_outcome():
    stay = only_stay(painting("2026-05-04 09:00"), now="2026-05-04 12:00")
    assert (stay.left, stay.outcome, stay.seconds()) == (None, "", 3 * HOUR)


def test_a_clock_that_was_put_back_gives_an_open_stay_of_no_length():
    assert only_stay(painting("2026-05-04 09:00"), now="2026-05-04 08:00").seconds() == 0


def test_an_undone_move_leaves_one_stay_as_if_it_had_not_been():
    line = painting("2026-05-04 09:00")
    moved = line.move("painted", Step.INSPECTION, at("2026-05-04 10:00"))
    line.add(Kind.UNDO, at("2026-05-04 10:00"), about_id=moved.id)
    assert only_stay(line, now="2026-05-04 12:00").seconds() == 3 * HOUR


def test_a_cancelled_piece_ends_its_stay_with_that_outcome():
    line = painting("2026-05-04 09:00")
    line.move("cancel", Step.CANCELLED, at("2026-05-04 12:00"), reason="so", whose="customer")
    stay = only_stay(line)
    assert (stay.outcome, stay.seconds()) == ("cancel", 3 * HOUR)


# ---------------------------------------------------------------- by property

NIGHTS = {day: ((time(0), time(2, 30)), (time(3), time(8)), (time(22), time())) for day in range(7)}
ROUND_THE_CLOCK = {day: ((time(), time()),) for day in range(7)}
CALENDARS = st.builds(
    Calendar,
    st.sampled_from(
        [ZoneInfo(z) for z in ("Europe/Berlin", "America/New_York", "America/Havana", "UTC")]
    ),
    st.sampled_from([USUAL_HOURS, NIGHTS, ROUND_THE_CLOCK, {}]),
    st.frozensets(st.dates(date(2023, 11, 14), date(2024, 6, 30)), max_size=20),
)
WAITS = st.lists(
    st.tuples(st.integers(0, 9_000_000), st.integers(0, 900_000)).map(
        lambda pair: (START + pair[0], START + pair[0] + pair[1])
    ),
    max_size=4,
)


@settings(max_examples=200)
@given(WALKS, CALENDARS, WAITS, st.integers(-9_000, 900_000))
def test_the_classes_of_every_stay_add_up_to_the_second(walk, calendar, waits, ahead):
    state = walk.states[-1]
    now = state.last_at + ahead
    found = stays(walk.of, walk.log, calendar, now, waits)
    for stay in found:
        assert min(stay.classes.values(), default=0) >= 0
        end = max(now, state.last_at) if stay.left is None else stay.left
        assert stay.seconds() == end - stay.entered
    moves = [e for e in walk.log if e.kind is Kind.MOVE]
    assert [s.left for s in found if s.left is not None] == [e.happened_at for e in moves]
    assert bool(found and found[-1].left is None) == state.open


@settings(max_examples=100)
@given(WALKS, CALENDARS, st.integers(0, 86_400))
def test_a_stay_only_grows_with_the_clock(walk, calendar, more):
    now = walk.states[-1].last_at + 5_000
    for early, late in zip(
        stays(walk.of, walk.log, calendar, now),
        stays(walk.of, walk.log, calendar, now + more),
        strict=True,
    ):
        assert all(late.classes[kind] >= seconds for kind, seconds in early.classes.items())


@settings(max_examples=50)
@given(WALKS, CALENDARS)
def test_who_did_it_and_how_the_time_came_to_be_known_changes_no_figure(walk, calendar):
    now = walk.states[-1].last_at
    other = [replace(entry, time_is="imported", recorded_at=now) for entry in walk.log]
    assert stays(walk.of, walk.log, calendar, now) == stays(walk.of, other, calendar, now)
