"""What may happen to a piece: every state that can be reached, and what is offered there."""

from dataclasses import replace
from functools import cache

import pytest

from app.flow.gates import Gate
from app.flow.legality import first_refusal
from app.flow.offers import offers
from app.flow.rules import (
    Entry,
    Kind,
    Policy,
    State,
    Whose,
    after,
    allowed_roles,
    past_the_third,
    refusal,
)
from app.flow.steps import ENDS, MAKING_STEPS, STARTS, STEPS, Of, Step, moves_from
from app.shared.people import Role
from tests.flow.lines import STUDIOS, entry_for, every_move_key

OTHER_KEYS = {"start", "aside", "finding", "hold", "lift"}
AT = 1_000


def plain(state: State) -> State:
    """A state without what only counts or measures, so that there are few enough to visit."""
    return State(
        state.of, state.step, 0, 0, in_hand=state.in_hand, hand_id=1 if state.in_hand else None,
        aside_reason=state.aside_reason, hold_reason=state.hold_reason,
        hold_whose=state.hold_whose, gates=state.gates,
        told_at=None if state.told_at is None else 0,
    )  # fmt: skip


def by_the_way(state: State, studio: Policy) -> list[Entry]:
    """What may be recorded without a button of the piece: questions, word of photos."""
    kinds = (Kind.ASK, Kind.ANSWER, Kind.TOLD)
    entries = [Entry(0, 0, kind, AT, AT) for kind in kinds]
    return [entry for entry in entries if refusal(state, entry, studio) is None]


@cache
def reached(of: Of, studio: Policy, role: Role = Role.DESK) -> dict[State, set[State]]:
    """Every state that this role can bring a piece to, with the states that follow each."""
    todo = [State(of, step, 0, 0) for step in STARTS[of]]
    found: dict[State, set[State]] = {}
    while todo:
        state = todo.pop()
        if state in found:
            continue
        entries = [entry_for(offer, AT, by=1) for offer in offers(state, role, studio)]
        entries += by_the_way(state, studio)
        found[state] = {plain(after(of, state, entry)) for entry in entries}
        todo.extend(found[state])
    return found


def ends_of(states: object) -> set[Step]:
    return {state.step for state in states if state.step in ENDS}


everywhere = pytest.mark.parametrize("studio", STUDIOS, ids=str)
of_both = pytest.mark.parametrize("of", list(Of))


@everywhere
def test_every_end_is_reached(studio):
    assert ends_of(reached(Of.MODEL, studio)) == {Step.READY, Step.CANCELLED}
    assert ends_of(reached(Of.COPY, studio)) == {Step.RECEIVED, Step.REPLACED, Step.CANCELLED}


@everywhere
def test_the_bench_reaches_every_end_but_cancelling(studio):
    assert ends_of(reached(Of.MODEL, studio, Role.BENCH)) == {Step.READY}
    assert ends_of(reached(Of.COPY, studio, Role.BENCH)) == {Step.RECEIVED, Step.REPLACED}


@of_both
@everywhere
def test_no_state_is_a_trap(of, studio):
    follows = reached(of, studio)
    good = {state for state in follows if state.step in ENDS}
    while True:
        more = {state for state, next_ in follows.items() if state not in good and next_ & good}
        if not more:
            break
        good |= more
    assert set(follows) == good


@of_both
@everywhere
@pytest.mark.parametrize("role", list(Role))
def test_what_is_offered_is_legal_known_and_covered_by_the_role(of, studio, role):
    known = every_move_key(of) | OTHER_KEYS
    for state in reached(of, studio):
        for offer in offers(state, role, studio):
            entry = entry_for(offer, AT, by=1)
            assert refusal(state, entry, studio) is None, (state, offer)
            assert role in allowed_roles(state, entry, studio)
            assert offer.key in known


@of_both
@everywhere
@pytest.mark.parametrize("role", list(Role))
def test_every_legal_move_is_offered(of, studio, role):
    for state in reached(of, studio):
        offered = {(o.key, o.end) for o in offers(state, role, studio) if o.kind is Kind.MOVE}
        legal = set()
        for move in moves_from(of, state.step):
            entry = Entry(
                0,
                0,
                Kind.MOVE,
                AT,
                AT,
                move.end,
                move.key,
                reason="so",
                whose=Whose.STUDIO,
                amount=7,
            )
            allowed = role in allowed_roles(state, entry, studio)
            if allowed and refusal(state, entry, studio) is None:
                legal.add((move.key, move.end))
        assert offered == legal, state


@of_both
@everywhere
def test_at_most_one_button_is_the_main_one(of, studio):
    for state in reached(of, studio):
        mains = [offer for offer in offers(state, Role.BENCH, studio) if offer.main]
        assert len(mains) <= 1
        if state.open and not (state.held or state.stopped):
            assert len(mains) == 1, state


@of_both
def test_an_offer_that_needs_a_word_is_refused_without_it(of):
    for state in reached(of, Policy()):
        for offer in offers(state, Role.OWNER, Policy()):
            if {"reason", "finding"} & set(offer.needs) and offer.kind in (Kind.MOVE, Kind.HOLD):
                assert refusal(state, entry_for(offer, AT, reason=""), Policy())
            if "whose" in offer.needs:
                assert refusal(state, entry_for(offer, AT, whose="nobody"), Policy())


@of_both
@pytest.mark.parametrize("step", list(Step))
def test_a_move_of_another_step_is_refused(of, step):
    state = State(of, step, 0, 0)
    own = {move.key for move in moves_from(of, step)}
    for move in {m.key: m for s in Step for m in moves_from(of, s) if m.key not in own}.values():
        entry = Entry(0, 0, Kind.MOVE, AT, AT, move.end, move.key, reason="so", whose="studio")
        assert refusal(state, entry, Policy()) is not None
        assert allowed_roles(state, entry, Policy()) == frozenset()


@of_both
@pytest.mark.parametrize("step", list(Step))
def test_a_piece_enters_only_where_pieces_of_its_kind_begin(of, step):
    allowed = first_refusal(of, step) is None
    assert allowed == (step in STARTS[of])


@pytest.mark.parametrize("end", sorted(ENDS))
def test_nothing_happens_after_an_end(end):
    state = State(Of.COPY, end, 0, 0)
    assert offers(state, Role.OWNER, Policy()) == ()
    for kind in Kind:
        assert "is closed" in refusal(state, Entry(0, 0, kind, AT, AT), Policy())


def test_only_desk_and_owner_cancel_bring_back_and_remake_what_has_left():
    left = State(Of.COPY, Step.HANDED_OVER, 0, 0)
    here = State(Of.COPY, Step.PAINTING, 0, 0)
    keys = {role: {o.key for o in offers(left, role, Policy())} for role in Role}
    assert keys[Role.BENCH] == {"received", "hold"}
    assert (
        keys[Role.DESK] == keys[Role.OWNER] == {"received", "came_back", "lost", "remake", "hold"}
    )
    assert "cancel" not in {o.key for o in offers(here, Role.BENCH, Policy())}
    assert "cancel" in {o.key for o in offers(here, Role.DESK, Policy())}


# ---------------------------------------------------------------- holds

HELD = {"hold_reason": "no news from the customer", "hold_whose": Whose.CUSTOMER}


@of_both
@everywhere
def test_on_hold_only_lifting_cancelling_and_what_comes_by_itself_is_offered(of, studio):
    for state in reached(of, studio):
        if not (state.held and state.open):
            continue
        offered = offers(state, Role.OWNER, studio)
        assert offered[0].key == "lift"
        assert offered[0].main
        by_itself = {move.key for move in moves_from(of, state.step) if move.by_itself}
        assert {o.key for o in offered} <= {"lift", "cancel"} | by_itself


def test_a_machine_and_a_carrier_do_not_mind_a_hold():
    build = State(Of.MODEL, Step.BUILDING, 0, 0, **HELD)
    parcel = State(Of.COPY, Step.HANDED_OVER, 0, 0, **HELD)
    ended = Entry(0, 0, Kind.MOVE, AT, AT, Step.ASSESSING, "build_finished")
    came = Entry(0, 0, Kind.MOVE, AT, AT, Step.RECEIVED, "received")
    assert refusal(build, ended, Policy()) is None
    assert refusal(parcel, came, Policy()) is None


def test_a_hold_stays_over_a_move_and_goes_when_lifted():
    build = State(Of.MODEL, Step.BUILDING, 0, 0, **HELD)
    ended = Entry(0, 0, Kind.MOVE, AT, AT, Step.ASSESSING, "build_finished")
    state = after(Of.MODEL, build, ended)
    assert state.held
    lifted = after(Of.MODEL, state, Entry(0, 0, Kind.LIFT, AT, AT))
    assert (lifted.held, lifted.hold_reason, lifted.hold_look_on) == (False, "", None)


def test_a_hold_is_not_put_on_twice_nor_lifted_where_there_is_none():
    held = State(Of.COPY, Step.PAINTING, 0, 0, **HELD)
    free = State(Of.COPY, Step.PAINTING, 0, 0)
    again = Entry(0, 0, Kind.HOLD, AT, AT, reason="so", whose="studio")
    assert refusal(held, again, Policy()) == "It is already on hold."
    assert refusal(free, Entry(0, 0, Kind.LIFT, AT, AT), Policy()) == "It is not on hold."


def test_work_on_hold_is_refused_but_the_customer_may_still_be_asked_and_answer():
    held = State(Of.COPY, Step.PAINTING, 0, 0, gates=(Gate(0),), **HELD)
    assert "Resume it first" in refusal(held, Entry(0, 0, Kind.START, AT, AT), Policy())
    painted = Entry(0, 0, Kind.MOVE, AT, AT, Step.INSPECTION, "painted")
    assert "Resume it first" in refusal(held, painted, Policy())
    for kind, question in ((Kind.ASK, 1), (Kind.ANSWER, 0)):
        assert refusal(held, Entry(0, 0, kind, AT, AT, question_id=question), Policy()) is None


# ---------------------------------------------------------------- the studio's own way


def test_without_a_blank_step_no_move_leads_to_it():
    off = Policy(blank_on=False)
    for state in reached(Of.COPY, off):
        assert all(offer.end is not Step.BLANK for offer in offers(state, Role.OWNER, off))
    begun = offers(State(Of.COPY, Step.NOT_BEGUN, 0, 0), Role.BENCH, off)
    assert [o.end for o in begun if o.key == "begun"] == [Step.SHAPING]


def test_with_a_blank_step_a_copy_begins_there():
    begun = offers(State(Of.COPY, Step.NOT_BEGUN, 0, 0), Role.BENCH, Policy())
    assert [o.end for o in begun if o.key == "begun"] == [Step.BLANK]


def test_a_piece_in_the_blank_step_goes_on_after_it_was_switched_off():
    offered = offers(State(Of.COPY, Step.BLANK, 0, 0), Role.BENCH, Policy(blank_on=False))
    assert [o.end for o in offered if o.main] == [Step.SHAPING]


def test_a_remembered_animal_is_never_asked_for_a_new_set():
    state = State(Of.MODEL, Step.ASSESSING, 0, 0)
    living = {o.key for o in offers(state, Role.DESK, Policy())}
    remembered = {o.key for o in offers(state, Role.DESK, Policy(remembered=True))}
    assert living - remembered == {"new_set"}
    entry = Entry(0, 0, Kind.MOVE, AT, AT, Step.PHOTOS_WANTED, "new_set")
    assert "cannot be photographed again" in refusal(state, entry, Policy(remembered=True))


# ---------------------------------------------------------------- hands, times, counts


@pytest.mark.parametrize("step", list(Step))
def test_a_piece_is_taken_in_hand_only_where_hands_work(step):
    state = State(STEPS[step].of, step, 0, 0)
    if state.open:
        why = refusal(state, Entry(0, 0, Kind.START, AT, AT, by=1), Policy())
        assert (why is None) == bool(STEPS[step].take)


def test_somebody_else_may_take_a_piece_over_but_nobody_takes_it_twice():
    mine = State(Of.COPY, Step.PAINTING, 0, 0, in_hand=True, hand_id=1)
    assert "already" in refusal(mine, Entry(0, 0, Kind.START, AT, AT, by=1), Policy())
    assert refusal(mine, Entry(0, 0, Kind.START, AT, AT, by=2), Policy()) is None


def test_setting_aside_keeps_the_hand_and_needs_a_moment_to_come():
    mine = State(Of.COPY, Step.PAINTING, 0, 0, in_hand=True, hand_id=1)
    dry = Entry(0, 0, Kind.ASIDE, AT, AT, by=2, reason="drying", until=AT + 60)
    state = after(Of.COPY, mine, dry)
    assert (state.in_hand, state.hand_id, state.aside_until) == (False, 1, AT + 60)
    assert refusal(mine, replace(dry, until=AT), Policy())
    taken = after(Of.COPY, state, Entry(0, 0, Kind.START, AT + 9, AT + 9, by=1))
    assert (taken.in_hand, taken.aside_until, taken.aside_reason) == (True, None, "")


def test_nothing_happens_before_what_happened_last():
    state = State(Of.COPY, Step.PAINTING, 0, last_at=AT)
    early = Entry(0, 0, Kind.START, AT - 1, AT, by=1)
    assert "before the last thing" in refusal(state, early, Policy())
    assert refusal(state, replace(early, happened_at=AT), Policy()) is None


@pytest.mark.parametrize("step", list(Step))
def test_a_finding_is_made_on_a_made_piece_only(step):
    state = State(STEPS[step].of, step, 0, 0)
    if state.open:
        why = refusal(state, Entry(0, 0, Kind.FINDING, AT, AT), Policy())
        assert (why is None) == (step in MAKING_STEPS)


def test_an_attempt_is_counted_when_more_is_asked_for_and_not_when_a_machine_stops():
    state = State(Of.MODEL, Step.BUILDING, 0, 0, counted_at=5)
    stopped = after(
        Of.MODEL, state, Entry(0, 0, Kind.MOVE, AT, AT, Step.PHOTOS_IN, "build_stopped")
    )
    assert (stopped.attempts, stopped.counted_at) == (0, 5)
    for _ in range(3):
        asked = Entry(0, 0, Kind.MOVE, AT, AT, Step.PHOTOS_WANTED, "more_views")
        assert not past_the_third(stopped)
        stopped = after(Of.MODEL, stopped, asked)
    assert past_the_third(stopped)


def test_photos_that_passed_have_passed_until_more_are_asked_for():
    state = State(Of.MODEL, Step.ASSESSING, 0, 0, told_at=3)
    good = after(Of.MODEL, state, Entry(0, 0, Kind.MOVE, AT, AT, Step.FINISHING, "good"))
    assert good.passed_at == AT
    asked = Entry(0, 0, Kind.MOVE, AT + 5, AT + 5, Step.PHOTOS_WANTED, "more_views")
    again = after(Of.MODEL, good, asked)
    assert (again.passed_at, again.told_at, again.attempts) == (None, None, 1)


def test_rework_is_counted_and_what_cures_goes_on_curing():
    state = State(Of.COPY, Step.INSPECTION, 0, 0, rests_until=AT + 99)
    back = Entry(0, 0, Kind.MOVE, AT, AT, Step.PAINTING, "back_to_painting", reason="an eye")
    after_it = after(Of.COPY, state, back)
    assert (after_it.step, after_it.reworks, after_it.rests_until) == (Step.PAINTING, 1, AT + 99)
    mended = after(Of.COPY, state, Entry(0, 0, Kind.FINDING, AT, AT, reason="an eye"))
    assert (mended.step, mended.reworks, mended.rests_until) == (Step.INSPECTION, 1, AT + 99)


def test_a_log_that_does_not_begin_with_entering_is_no_log():
    with pytest.raises(ValueError, match="begins with its entering"):
        after(Of.COPY, None, Entry(0, 0, Kind.START, AT, AT))
