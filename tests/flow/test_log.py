"""The log: folded, undone, corrected. What was taken back leaves no trace in the figures."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from app.flow.legality import CORRECTABLE, UNDOABLE, correction_refusals, describe, undo_refusal
from app.flow.rules import BATCH, Entry, Kind, Policy, TimeIs, effective, fold, refusal
from app.flow.stays import stays
from app.flow.steps import ASKED_AGAIN, PASSED, STARTS, Of, Step
from app.shared.calendar import Calendar
from tests.flow.lines import MODEL_WALKS, START, WALKS, Line, walk

CALENDAR = Calendar(ZoneInfo("Europe/Berlin"))
LATER = START + 20_000_000
many = settings(max_examples=200)


def about(log: list[Entry], wrong: Entry, kind: Kind, **right: object) -> Entry:
    """An undo or correction of an entry, as the next entry of a log."""
    number = len(log) + 1
    # A correction that names no step strikes: what moves nothing carries a step all the same.
    step = wrong.to_step or Step.NOT_BEGUN
    entry = Entry(
        number, number, kind, wrong.happened_at, LATER, step, wrong.move,
        about_id=wrong.id,
    )  # fmt: skip
    return replace(entry, **right)


def struck(log: list[Entry], wrong: Entry) -> Entry:
    """The correction that says that an entry never happened."""
    return about(log, wrong, Kind.CORRECTION, to_step=None, move="struck")


# ---------------------------------------------------------------- folding


@many
@given(WALKS)
def test_each_entry_of_a_walk_was_legal_and_folding_gives_the_state_kept_beside_it(walk):
    for state, entry in zip(walk.states, walk.log[1:], strict=False):
        assert refusal(state, entry, walk.studio) is None
    assert fold(walk.of, walk.log) == walk.states[-1]


def test_an_empty_log_cannot_be_folded():
    with pytest.raises(ValueError, match="begins with its entering"):
        fold(Of.COPY, [])


@many
@given(WALKS, st.lists(st.integers(0, 40)), st.lists(st.integers(0, 40)))
def test_the_effective_log_is_never_in_another_order(walk, undone, corrected):
    log = list(walk.log)
    for pick in corrected:
        log.append(about(log, walk.log[pick % len(walk.log)], Kind.CORRECTION))
    for pick in undone:
        log.append(about(log, walk.log[pick % len(walk.log)], Kind.UNDO))
    line = [entry.seq for entry in effective(log)]
    assert line == sorted(line)
    left = {pick % len(walk.log) + 1 for pick in undone}
    assert set(line) == {entry.seq for entry in walk.log} - left


# ---------------------------------------------------------------- undo


@many
@given(WALKS)
def test_undoing_entry_by_entry_gives_back_every_state_exactly(walk):
    log = list(walk.log)
    for entry, before in zip(reversed(walk.log[1:]), reversed(walk.states[:-1]), strict=True):
        may = undo_refusal(log, entry.id, entry.recorded_at + 60)
        # A blank that failed in its batch goes back into the machine with it.
        failed_in_batch = entry.kind is Kind.FINDING and entry.move == BATCH
        assert (may is None) == (entry.kind in UNDOABLE or failed_in_batch)
        log.append(about(log, entry, Kind.UNDO))
        assert fold(walk.of, log) == before


def painted() -> Line:
    line = Line(Of.COPY)
    line.enter(Step.SHAPING, START)
    line.move("shaped", Step.PAINTING, START + 100)
    line.move("painted", Step.INSPECTION, START + 200)
    return line


def test_only_the_last_thing_is_undone():
    line = painted()
    assert "Only the last" in undo_refusal(line.log, 2, START + 200)
    assert undo_refusal(line.log, 3, START + 200) is None
    line.log.append(about(line.log, line.log[2], Kind.UNDO))
    assert undo_refusal(line.log, 2, START + 200) is None
    assert "Only the last" in undo_refusal(line.log, 3, START + 200)


def test_the_ten_minutes_are_counted_from_the_recording_to_the_second():
    line = painted()
    line.log[-1] = replace(line.log[-1], recorded_at=START + 50_000)
    assert undo_refusal(line.log, 3, START + 50_600) is None
    assert "ten minutes" in undo_refusal(line.log, 3, START + 50_601)


def test_an_undo_and_an_entering_cannot_be_undone():
    line = painted()
    undo = about(line.log, line.log[2], Kind.UNDO)
    line.log.append(undo)
    assert undo_refusal(line.log, undo.id, START + 200)
    entered = Line(Of.COPY)
    entered.enter(Step.SHAPING, START)
    assert "Use a correction" in undo_refusal(entered.log, 1, START)


def test_a_corrected_entry_can_still_be_undone():
    line = painted()
    line.log.append(about(line.log, line.log[2], Kind.CORRECTION, happened_at=START + 150))
    assert undo_refusal(line.log, 3, START + 300) is None
    line.log.append(about(line.log, line.log[2], Kind.UNDO))
    assert fold(Of.COPY, line.log).step is Step.PAINTING


# ---------------------------------------------------------------- corrections


def as_if_right(log: list[Entry], right_log: list[Entry], of: Of) -> None:
    """The corrected log gives the figures of the one that was right from the start."""
    assert fold(of, log) == fold(of, right_log)
    assert stays(of, log, CALENDAR, LATER) == stays(of, right_log, CALENDAR, LATER)


@many
@given(WALKS, st.integers(0, 40), st.floats(0, 1))
def test_a_corrected_time_gives_the_stays_of_a_log_that_was_right(walk, pick, part):
    right = walk.log[pick % len(walk.log)]
    assume(right.kind in CORRECTABLE)
    before = walk.log[right.id - 2].happened_at if right.id > 1 else right.happened_at - 90_000
    after_it = walk.log[right.id].happened_at if right.id < len(walk.log) else before + 500_000
    wrong_at = int(before + part * (after_it - before))
    assume(right.until is None or wrong_at < right.until)
    log = [replace(e, happened_at=wrong_at) if e.id == right.id else e for e in walk.log]
    correction = about(log, right, Kind.CORRECTION)
    assert correction_refusals(walk.of, log, correction, walk.studio) == []
    as_if_right([*log, correction], walk.log, walk.of)


@settings(max_examples=200, suppress_health_check=[HealthCheck.filter_too_much])
@given(MODEL_WALKS, st.integers(0, 40))
def test_a_corrected_move_gives_the_stays_of_a_log_that_was_right(walk, pick):
    # Outcomes that lead to one step, so that the wrong log can be told from the right one only
    # by the move itself: what passed, and what was asked for from the assessment.
    found = [
        (entry, family - {entry.move})
        for entry, state in zip(walk.log[1:], walk.states, strict=False)
        for family in (PASSED, ASKED_AGAIN)
        if entry.move in family and state.step is Step.ASSESSING
    ]
    assume(found)
    right, others = found[pick % len(found)]
    log = [replace(e, move=min(others)) if e.id == right.id else e for e in walk.log]
    correction = about(log, right, Kind.CORRECTION)
    assert correction_refusals(walk.of, log, correction, walk.studio) == []
    as_if_right([*log, correction], walk.log, walk.of)


@many
@given(WALKS, st.integers(0, 40), st.sampled_from([Kind.START, Kind.TOLD, Kind.FINDING]))
def test_a_struck_entry_gives_the_stays_of_a_log_without_it(walk, pick, kind):
    place = pick % len(walk.log)
    state = walk.states[place]
    extra = Entry(99, 0, kind, state.last_at, state.last_at, by=77)
    assume(refusal(state, extra, walk.studio) is None)
    log = [*walk.log[: place + 1], extra, *walk.log[place + 1 :]]
    correction = struck(log, extra)
    problems = correction_refusals(walk.of, log, replace(correction, id=100), walk.studio)
    assert problems == []
    as_if_right([*log, replace(correction, id=100)], walk.log, walk.of)


@many
@given(WALKS, st.integers(0, 40), st.integers(-600_000, 600_000))
def test_a_correction_is_taken_exactly_when_the_corrected_log_is_legal(walk, pick, shift):
    wrong = walk.log[pick % len(walk.log)]
    assume(wrong.kind in CORRECTABLE)
    moved = about(walk.log, wrong, Kind.CORRECTION, happened_at=wrong.happened_at + shift)
    line = effective([*walk.log, moved])
    moments = [entry.happened_at for entry in line]
    lapsed = any(e.kind is Kind.ASIDE and e.until and e.until <= e.happened_at for e in line)
    legal = moments == sorted(moments) and not lapsed
    assert (correction_refusals(walk.of, walk.log, moved, walk.studio) == []) == legal


def test_a_correction_never_moves_a_move_behind_the_answer_that_came_after_it():
    # A question is answered in the same second in which the build ends.
    found = walk(Of.MODEL, 1, Policy(), [(0, 0), (6725, 0), (0, 0), (6, 0)])
    assert [entry.kind for entry in found.log[-2:]] == [Kind.MOVE, Kind.ANSWER]
    ended = found.log[-2]
    later = about(found.log, ended, Kind.CORRECTION, happened_at=ended.happened_at + 1)
    (problem,) = correction_refusals(Of.MODEL, found.log, later, Policy())
    assert problem.startswith("A later entry would not fit any more.")


def test_a_correction_of_a_correction_is_made_on_the_first_entry_and_the_last_one_counts():
    line = painted()
    for at in (120, 150):
        line.log.append(about(line.log, line.log[1], Kind.CORRECTION, happened_at=START + at))
    shown = effective(line.log)[1]
    assert (shown.happened_at, shown.time_is) == (START + 150, TimeIs.TYPED)
    correction = line.log[3]
    assert correction_refusals(
        Of.COPY, line.log, about(line.log, correction, Kind.CORRECTION), Policy()
    ) == ["There is nothing to correct in this entry."]


def test_a_correction_names_what_has_to_be_corrected_first():
    line = painted()
    late = about(line.log, line.log[1], Kind.CORRECTION, happened_at=START + 201)
    (problem,) = correction_refusals(Of.COPY, line.log, late, Policy())
    assert problem.startswith("The move to Inspection would not fit any more.")
    early = about(line.log, line.log[1], Kind.CORRECTION, happened_at=START - 1)
    (problem,) = correction_refusals(Of.COPY, line.log, early, Policy())
    assert (
        problem == "That is before the last thing that happened to this piece. Type a later time."
    )
    gone = struck(line.log, line.log[1])
    (problem,) = correction_refusals(Of.COPY, line.log, gone, Policy())
    assert "The move to Inspection" in problem


def test_the_entering_can_be_put_right_but_not_struck():
    line = Line(Of.COPY)
    line.enter(Step.SHAPING, START)
    assert correction_refusals(Of.COPY, line.log, struck(line.log, line.log[0]), Policy())
    for step in Step:
        right = about(line.log, line.log[0], Kind.CORRECTION, to_step=step)
        problems = correction_refusals(Of.COPY, line.log, right, Policy())
        assert (problems == []) == (step in STARTS[Of.COPY])


def test_what_was_legal_in_its_day_stays_so():
    line = Line(Of.MODEL)
    line.enter(Step.ASSESSING, START)
    line.move("new_set", Step.PHOTOS_WANTED, START + 10, reason="legs")
    right = about(line.log, line.log[1], Kind.CORRECTION, happened_at=START + 5)
    assert correction_refusals(Of.MODEL, line.log, right, Policy(remembered=True)) == []
    copy = Line(Of.COPY)
    copy.enter(Step.NOT_BEGUN, START)
    copy.move("begun", Step.BLANK, START + 10)
    right = about(copy.log, copy.log[1], Kind.CORRECTION, happened_at=START + 5)
    assert correction_refusals(Of.COPY, copy.log, right, Policy(blank_on=False)) == []


def test_a_copy_that_began_with_its_model_while_on_hold_can_be_corrected():
    line = Line(Of.COPY)
    line.enter(Step.NOT_BEGUN, START)
    line.add(Kind.HOLD, START + 5, reason="abroad", whose="customer")
    line.move("begun", Step.BLANK, START + 10)
    right = about(line.log, line.log[1], Kind.CORRECTION, happened_at=START + 7)
    right = replace(right, to_step=Step.NOT_BEGUN)
    assert correction_refusals(Of.COPY, line.log, right, Policy()) == []


@pytest.mark.parametrize("kind", list(Kind))
def test_every_kind_of_entry_has_words(kind):
    assert len(describe(Entry(1, 1, kind, 0, 0, Step.PAINTING)).split()) >= 2
