"""Corrections, on a real file: the wrong line is kept, the right one counts."""

import pytest

from app.flow import store
from app.flow.actions import Wish, record
from app.flow.amendments import Right, correct, undo
from app.flow.rules import Kind, effective
from app.flow.steps import Of, Step
from app.shared.errors import AlreadyMoved, NotAllowed, NotFound, Refused
from tests.flow.pieces import BROKEN, everything_folds, handed_over, order_at, state_of
from tests.making import CAST, HOUR, NOW, Wanted, fingerprint, make_order, move, rows, step_of, walk


def test_a_corrected_time_counts_and_both_lines_are_kept(database, in_painting):
    late = NOW + 72 * HOUR
    done = move(database, in_painting, CAST.painter, late, "painted")
    correct(database, done.act, Right(happened_at=NOW + 5, reason="forgot"), CAST.desk, late + HOUR)
    assert state_of(database, in_painting).entered_at == NOW + 5
    assert rows(
        database,
        "SELECT kind, happened_at, recorded_at, reason, about_id FROM transitions"
        " WHERE copy_id = 1 AND seq > 1 ORDER BY seq",
    ) == [("move", late, late, "", None), ("correction", NOW + 5, late + HOUR, "forgot", done.act)]
    everything_folds(database)


def test_a_corrected_move_counts_and_no_news_is_written(database, finishing):
    model = make_order(database, CAST.desk, NOW, [Wanted(step=Step.ASSESSING)]).model()
    done = move(database, model, CAST.finisher, NOW, "good")
    before = rows(database, "SELECT * FROM news")
    correct(database, done.act, Right(move="by_eye"), CAST.desk, NOW + HOUR)
    assert rows(database, "SELECT * FROM news") == before
    with database.reading() as db:
        assert effective(store.log_of(db, model))[-1].move == "by_eye"


def test_a_move_corrected_into_another_step_takes_its_unsent_news_back(database):
    model = make_order(database, CAST.desk, NOW, [Wanted(step=Step.ASSESSING)]).model()
    done = move(database, model, CAST.finisher, NOW, "more_views")
    correct(database, done.act, Right(move="good"), CAST.desk, NOW + 60)
    assert step_of(database, model) is Step.FINISHING
    assert rows(database, "SELECT kind, taken_back_at FROM news") == [("more_views", NOW + 60)]
    everything_folds(database)


def test_a_struck_move_never_happened(database, in_painting):
    before = state_of(database, in_painting)
    done = move(database, in_painting, CAST.painter, NOW, "painted")
    correct(database, done.act, Right(struck=True), CAST.desk, NOW + 20 * HOUR)
    assert state_of(database, in_painting) == before
    with pytest.raises(NotFound, match="no longer counts"):
        correct(database, done.act, Right(happened_at=NOW), CAST.desk, NOW + 20 * HOUR)


def test_the_entering_of_a_piece_brought_in_wrongly_is_put_right(database):
    order = order_at(database, Step.PAINTING, imported=True)
    correct(database, 2, Right(step=Step.SHAPING, happened_at=NOW - HOUR), CAST.owner, NOW)
    state = state_of(database, order.copy())
    assert (state.step, state.entered_at) == (Step.SHAPING, NOW - HOUR)


def test_one_of_several_pieces_ticked_together_is_put_right_alone(database):
    order = order_at(database, Step.INSPECTION, 2)
    wishes = [Wish(order.copy(c), Kind.MOVE, "passed") for c in ("A1", "A2")]
    done = record(database, wishes, CAST.painter, NOW)
    with pytest.raises(Refused, match="Say why"):
        correct(database, done.act + 1, Right(move="back_to_painting"), CAST.desk, NOW + HOUR)
    correct(database, done.act + 1, Right(struck=True), CAST.desk, NOW + HOUR)
    assert step_of(database, order.copy("A1")) is Step.PACKING
    assert step_of(database, order.copy("A2")) is Step.INSPECTION


def test_two_models_finished_at_one_tap_are_put_right_apart(database):
    wanted = [Wanted("Juniper", step=Step.FINISHING), Wanted("Bramble", step=Step.FINISHING)]
    order = make_order(database, CAST.desk, NOW, wanted)
    wishes = [Wish(order.model(letter), Kind.MOVE, "model_finished") for letter in "AB"]
    done = record(database, wishes, CAST.finisher, NOW + HOUR)
    correct(database, done.act, Right(happened_at=NOW + 60), CAST.desk, NOW + 2 * HOUR)
    for letter, at in (("A", NOW + 60), ("B", NOW + HOUR)):
        assert state_of(database, order.model(letter)).entered_at == at
        assert state_of(database, order.copy(f"{letter}1")).entered_at == at


def test_striking_a_finished_model_sends_its_copies_back(database, finishing):
    done = move(database, finishing.model(), CAST.finisher, NOW, "model_finished")
    correct(database, done.act, Right(struck=True), CAST.desk, NOW + HOUR)
    assert step_of(database, finishing.model()) is Step.FINISHING
    assert {step_of(database, finishing.copy(c)) for c in ("A1", "A2")} == {Step.NOT_BEGUN}
    everything_folds(database)


@pytest.mark.parametrize("cause", ["", "model"])
def test_striking_a_remake_withdraws_what_replaced_the_piece(database, cause):
    order = order_at(database, Step.INSPECTION)
    done = move(database, order.copy(), CAST.painter, NOW, "remake", cause=cause, **BROKEN)
    correct(database, done.act, Right(struck=True), CAST.desk, NOW + HOUR)
    assert step_of(database, order.copy()) is Step.INSPECTION
    assert {step_of(database, ref) for ref in done.made} == {Step.CANCELLED}
    everything_folds(database)


def test_a_remake_is_struck_after_its_replacement_was_cancelled(database):
    order = order_at(database, Step.INSPECTION)
    done = move(database, order.copy(), CAST.painter, NOW, "remake", **BROKEN)
    walk(database, done.made[0], CAST.shaper, NOW, "blank_done")
    before = fingerprint(database.path)
    with pytest.raises(Refused, match="Cancel it instead"):
        correct(database, done.act, Right(struck=True), CAST.desk, NOW + HOUR)
    assert fingerprint(database.path) == before
    move(database, done.made[0], CAST.desk, NOW + HOUR, "cancel", reason="so", whose="studio")
    correct(database, done.act, Right(struck=True), CAST.desk, NOW + HOUR)
    assert step_of(database, order.copy()) is Step.INSPECTION


def test_the_time_of_a_remake_is_put_right_for_both_pieces(database):
    order = order_at(database, Step.INSPECTION)
    done = move(database, order.copy(), CAST.painter, NOW + HOUR, "remake", **BROKEN)
    correct(database, done.act, Right(happened_at=NOW + 5), CAST.desk, NOW + 2 * HOUR)
    assert state_of(database, done.made[0]).entered_at == NOW + 5
    assert state_of(database, order.copy()).entered_at == NOW + 5
    everything_folds(database)


@pytest.mark.parametrize("carrying", ["remake", "handed_over", "model_finished"])
def test_no_move_is_corrected_into_one_that_carries_others(database, carrying):
    start = Step.FINISHING if carrying == "model_finished" else Step.PACKING
    of = Of.MODEL if carrying == "model_finished" else Of.COPY
    key = "more_views" if of is Of.MODEL else "back_to_painting"
    order = (
        make_order(database, CAST.desk, NOW, [Wanted(step=start)])
        if of is Of.MODEL
        else order_at(database, start)
    )
    ref = order.model() if of is Of.MODEL else order.copy()
    done = move(database, ref, CAST.painter, NOW, key, **BROKEN)
    before = fingerprint(database.path)
    with pytest.raises(Refused, match=r"Delete (it|the wrong one), then"):
        correct(database, done.act, Right(move=carrying), CAST.desk, NOW + HOUR)
    assert fingerprint(database.path) == before


def test_the_move_of_an_entry_that_carried_others_is_not_changed(database, finishing):
    done = move(database, finishing.model(), CAST.finisher, NOW, "model_finished")
    before = fingerprint(database.path)
    with pytest.raises(Refused, match="moved other pieces with it"):
        correct(database, done.act, Right(move="more_views"), CAST.desk, NOW + HOUR)
    assert fingerprint(database.path) == before


@pytest.mark.parametrize(
    ("right", "words"),
    [
        (Right(happened_at=NOW + 2 * HOUR), "in the future"),
        (Right(happened_at=NOW - 1), "before the last thing"),
        (Right(happened_at=NOW + 91), "The move to Packing would not fit"),
        (Right(struck=True), "The move to Packing would not fit"),
        (Right(move="shaped"), "that cannot be done"),
    ],
    ids=str,
)
def test_a_refused_correction_writes_nothing(database, in_painting, right, words):
    walk(database, in_painting, CAST.painter, NOW, "painted", "passed", each=45)
    before = fingerprint(database.path)
    with pytest.raises(Refused, match=words):
        correct(database, 3, right, CAST.desk, NOW + HOUR)
    assert fingerprint(database.path) == before


def test_a_correction_tapped_twice_is_made_once(database, in_painting):
    done = move(database, in_painting, CAST.painter, NOW + 60, "painted")
    correct(database, done.act, Right(happened_at=NOW + 5), CAST.desk, NOW + 90, "k")
    before = fingerprint(database.path)
    with pytest.raises(AlreadyMoved):
        correct(database, done.act, Right(happened_at=NOW + 5), CAST.desk, NOW + 90, "k")
    assert fingerprint(database.path) == before


def test_a_correction_works_when_the_clock_was_put_back(database, in_painting):
    done = move(database, in_painting, CAST.painter, NOW + 60, "painted")
    correct(database, done.act, Right(struck=True), CAST.desk, NOW - HOUR)
    assert step_of(database, in_painting) is Step.PAINTING


# ---------------------------------------------------------------- parcels


@pytest.mark.parametrize("way", ["undo", "strike"])
def test_a_parcel_that_did_not_leave_is_taken_back(database, way):
    order = order_at(database, Step.PACKING, 2)
    act = handed_over(database, order, "A1", "A2")
    if way == "undo":
        undo(database, act, CAST.desk, NOW + 5)
    else:
        correct(database, act + 1, Right(struck=True), CAST.desk, NOW + 5)
    assert rows(database, "SELECT taken_back_at FROM parcels") == [(NOW + 5,)]
    assert rows(database, "SELECT parcel_id FROM copies") == [(None,), (None,)]
    assert rows(database, "SELECT taken_back_at FROM news") == [(NOW + 5,)]
    assert {step_of(database, order.copy(c)) for c in ("A1", "A2")} == {Step.PACKING}


def test_a_parcel_that_left_on_friday_and_was_entered_on_monday_is_put_right_as_a_whole(database):
    order = order_at(database, Step.PACKING, 2, at=NOW - 90 * HOUR)
    act = handed_over(database, order, "A1", "A2")
    correct(database, act, Right(happened_at=NOW - 72 * HOUR), CAST.desk, NOW + HOUR)
    for code in ("A1", "A2"):
        assert state_of(database, order.copy(code)).entered_at == NOW - 72 * HOUR


def test_two_parcels_entered_as_one_act_are_put_right_apart(database):
    order = order_at(database, Step.PACKING, 2, at=NOW - 90 * HOUR)
    wishes = [
        Wish(order.copy(code), Kind.MOVE, "handed_over", amount=number)
        for code, number in (("A1", 7), ("A2", 8))
    ]
    done = record(database, wishes, CAST.desk, NOW)
    correct(database, done.act, Right(happened_at=NOW - 72 * HOUR), CAST.desk, NOW + HOUR)
    assert state_of(database, order.copy("A1")).entered_at == NOW - 72 * HOUR
    assert state_of(database, order.copy("A2")).entered_at == NOW


@pytest.mark.parametrize("right", [Right(struck=True, reason="no"), Right(happened_at=NOW + 1)])
def test_who_may_not_cancel_may_not_correct_a_cancellation(database, in_painting, right):
    said = {"reason": "moved away", "whose": "customer"}
    done = move(database, in_painting, CAST.desk, NOW + 9, "cancel", **said)
    before = fingerprint(database.path)
    with pytest.raises(NotAllowed):
        correct(database, done.act, right, CAST.painter, NOW + HOUR)
    assert fingerprint(database.path) == before
    correct(database, done.act, right, CAST.desk, NOW + HOUR)


def test_who_may_not_cancel_may_not_turn_another_move_into_it(database, in_painting):
    done = move(database, in_painting, CAST.painter, NOW, "painted")
    before = fingerprint(database.path)
    with pytest.raises(NotAllowed):
        correct(database, done.act, Right(move="cancel", reason="no"), CAST.painter, NOW + HOUR)
    assert fingerprint(database.path) == before
