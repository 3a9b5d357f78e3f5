"""Undo and correction, on a real file: nothing is edited, everything goes back."""

import pytest
from sqlalchemy import insert, select, update

from app.flow import store
from app.flow.actions import Wish, record
from app.flow.amendments import Right, correct, undo
from app.flow.rules import Kind, effective, fold
from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.shared.errors import AlreadyMoved, NotFound, Refused
from app.tables import copies, parcels
from tests.making import (
    CAST,
    HOUR,
    NOW,
    Wanted,
    fingerprint,
    make_order,
    move,
    piece,
    rows,
    step_of,
    versions_after,
    walk,
)

BROKEN = {"reason": "an ear broke off"}


def state_of(house, ref):
    return piece(house, ref).state


def order_at(house, copy_step: Step, copies_: int = 1, **more):
    wanted = Wanted(step=Step.READY, copies=copies_, copy_step=copy_step)
    return make_order(house, CAST.desk, NOW, [wanted], **more)


@pytest.fixture
def in_painting(house):
    return order_at(house, Step.PAINTING).copy()


@pytest.fixture
def finishing(house):
    return make_order(house, CAST.desk, NOW, [Wanted(step=Step.FINISHING, copies=2)])


def everything_folds(house) -> None:
    with house.reading() as db:
        for of, table in store.TABLE.items():
            for number in db.execute(select(table.c.id)).scalars().all():
                ref = Ref(of, number)
                assert fold(of, store.log_of(db, ref)) == store.load(db, ref).state


# ---------------------------------------------------------------- undo


def test_an_undo_gives_the_state_back_and_leaves_the_log(house, in_painting):
    before = state_of(house, in_painting)
    done = move(house, in_painting, CAST.painter, NOW + 60, "painted")
    undo(house, done.act, CAST.painter, NOW + 120)
    assert state_of(house, in_painting) == before
    assert rows(house, "SELECT kind, about_id FROM transitions WHERE copy_id = 1 ORDER BY seq") == [
        ("enter", None), ("move", None), ("undo", done.act),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("now", "error"), [(NOW + 60 + 601, Refused), (NOW + 60 - HOUR, None), (NOW + 660, None)]
)
def test_ten_minutes_are_for_undoing(house, in_painting, now, error):
    done = move(house, in_painting, CAST.painter, NOW + 60, "painted")
    if error is None:
        undo(house, done.act, CAST.painter, now)
        assert step_of(house, in_painting) is Step.PAINTING
        return
    before = fingerprint(house.path)
    with pytest.raises(error):
        undo(house, done.act, CAST.painter, now)
    assert fingerprint(house.path) == before


def test_an_undo_is_done_once(house, in_painting):
    done = move(house, in_painting, CAST.painter, NOW, "painted", once="k")
    undo(house, done.act, CAST.painter, NOW, "u")
    before = fingerprint(house.path)
    for once in ("u", "v", None):
        with pytest.raises(AlreadyMoved):
            undo(house, done.act, CAST.painter, NOW, once)
    assert fingerprint(house.path) == before


def test_the_key_of_a_move_does_not_serve_its_undo(house, in_painting):
    done = move(house, in_painting, CAST.painter, NOW, "painted", once="k")
    with pytest.raises(AlreadyMoved):
        undo(house, done.act, CAST.painter, NOW, "k")


def test_an_entry_that_is_not_there_is_not_found(house):
    with pytest.raises(NotFound):
        undo(house, 999, CAST.owner, NOW)


def test_an_undo_cannot_be_undone_and_an_order_cannot_be_unmade(house, in_painting):
    done = move(house, in_painting, CAST.painter, NOW, "painted")
    undone = undo(house, done.act, CAST.painter, NOW)
    before = fingerprint(house.path)
    for entry in (undone.act, 1):
        with pytest.raises(Refused):
            undo(house, entry, CAST.owner, NOW)
    assert fingerprint(house.path) == before


def test_undoing_takes_news_back_and_moving_again_writes_it_again(house, finishing):
    def news():
        return rows(house, "SELECT kind, taken_back_at, transition_id FROM news")

    done = move(house, finishing.model(), CAST.finisher, NOW, "model_finished")
    first = news()
    assert [(kind, back) for kind, back, _ in first] == [("making_begun", None)]
    undo(house, done.act, CAST.finisher, NOW + 9)
    assert [(kind, back) for kind, back, _ in news()] == [("making_begun", NOW + 9)]
    move(house, finishing.model(), CAST.finisher, NOW + 20, "model_finished")
    again = news()
    assert [(kind, back) for kind, back, _ in again] == [("making_begun", None)]
    assert again[0][2] != first[0][2]


def test_undoing_a_finished_model_takes_all_its_copies_back(house, finishing):
    refs = [finishing.model(), finishing.copy("A1"), finishing.copy("A2")]
    before = [state_of(house, ref) for ref in refs]
    done = move(house, finishing.model(), CAST.finisher, NOW + 60, "model_finished")
    undo(house, done.act, CAST.finisher, NOW + 90)
    assert [state_of(house, ref) for ref in refs] == before


def test_the_same_is_undone_from_the_entry_of_a_copy(house, finishing):
    done = move(house, finishing.model(), CAST.finisher, NOW + 60, "model_finished")
    undo(house, done.act + 2, CAST.finisher, NOW + 90)
    assert step_of(house, finishing.model()) is Step.FINISHING


def test_an_act_is_not_undone_once_one_of_its_pieces_went_on(house, finishing):
    done = move(house, finishing.model(), CAST.finisher, NOW + 60, "model_finished")
    move(house, finishing.copy("A2"), CAST.shaper, NOW + 70, "blank_done")
    before = fingerprint(house.path)
    with pytest.raises(Refused, match="Only the last thing"):
        undo(house, done.act, CAST.finisher, NOW + 90)
    assert fingerprint(house.path) == before


def test_taking_in_hand_and_moving_in_one_act_are_undone_together(house, in_painting):
    before = state_of(house, in_painting)
    wishes = [Wish(in_painting, Kind.START), Wish(in_painting, Kind.MOVE, "painted")]
    done = record(house, wishes, CAST.painter, NOW)
    undo(house, done.act, CAST.painter, NOW)
    assert state_of(house, in_painting) == before


# ---------------------------------------------------------------- undoing a remake


def test_undoing_a_remake_withdraws_the_new_row(house):
    order = order_at(house, Step.INSPECTION)
    before = state_of(house, order.copy())
    done = move(house, order.copy(), CAST.painter, NOW, "remake", **BROKEN)
    undo(house, done.act, CAST.painter, NOW)
    assert state_of(house, order.copy()) == before
    assert step_of(house, done.made[0]) is Step.CANCELLED
    assert rows(house, "SELECT id FROM copies WHERE withdrawn = 1") == [(done.made[0].id,)]
    with house.reading() as db:
        assert {p.ref for p in store.pieces_of_order(db, order.id)} == set(order.pieces.values())
    again = move(house, order.copy(), CAST.painter, NOW, "remake", **BROKEN)
    assert piece(house, again.made[0]).making == 3
    everything_folds(house)


def test_a_remake_that_was_worked_on_is_not_undone(house):
    order = order_at(house, Step.INSPECTION)
    done = move(house, order.copy(), CAST.painter, NOW, "remake", **BROKEN)
    move(house, done.made[0], CAST.shaper, NOW, "blank_done")
    before = fingerprint(house.path)
    with pytest.raises(Refused, match="worked on since"):
        undo(house, done.act, CAST.painter, NOW)
    assert fingerprint(house.path) == before


def test_undoing_the_only_remake_withdraws_the_models_next_version_too(house):
    order = order_at(house, Step.INSPECTION)
    done = move(house, order.copy(), CAST.painter, NOW, "remake", cause="model", **BROKEN)
    undo(house, done.act, CAST.painter, NOW)
    (version,) = versions_after(house, order.model())
    assert step_of(house, version) is Step.CANCELLED
    everything_folds(house)


@pytest.mark.parametrize("first_to_go", [0, 1])
def test_a_next_version_stays_until_its_last_remake_is_undone(house, first_to_go):
    order = order_at(house, Step.INSPECTION, 2)
    acts = [
        move(house, order.copy(code), CAST.painter, NOW, "remake", cause="model", **BROKEN).act
        for code in ("A1", "A2")
    ]
    (version,) = versions_after(house, order.model())
    undo(house, acts[first_to_go], CAST.painter, NOW)
    assert step_of(house, version) is Step.FINISHING
    undo(house, acts[1 - first_to_go], CAST.painter, NOW)
    assert step_of(house, version) is Step.CANCELLED
    assert {step_of(house, order.copy(c)) for c in ("A1", "A2")} == {Step.INSPECTION}
    everything_folds(house)


# ---------------------------------------------------------------- parcels


def handed_over(house, order, *codes: str) -> int:
    """Put copies into one parcel as one act; gives the act's number."""
    with house.writing() as db:
        number = db.execute(
            insert(parcels).values(way="carrier", carrier="Post", sent_at=NOW)
        ).inserted_primary_key[0]
        for code in codes:
            db.execute(
                update(copies).where(copies.c.id == order.copy(code).id).values(parcel_id=number)
            )
    wishes = [Wish(order.copy(c), Kind.MOVE, "handed_over", amount=number) for c in codes]
    return record(house, wishes, CAST.desk, NOW).act


@pytest.mark.parametrize("way", ["undo", "strike"])
def test_a_parcel_that_did_not_leave_is_taken_back(house, way):
    order = order_at(house, Step.PACKING, 2)
    act = handed_over(house, order, "A1", "A2")
    if way == "undo":
        undo(house, act, CAST.desk, NOW + 5)
    else:
        correct(house, act + 1, Right(struck=True), CAST.desk, NOW + 5)
    assert rows(house, "SELECT taken_back_at FROM parcels") == [(NOW + 5,)]
    assert rows(house, "SELECT parcel_id FROM copies") == [(None,), (None,)]
    assert rows(house, "SELECT taken_back_at FROM news") == [(NOW + 5,)]
    assert {step_of(house, order.copy(c)) for c in ("A1", "A2")} == {Step.PACKING}


def test_a_parcel_that_left_on_friday_and_was_entered_on_monday_is_put_right_as_a_whole(house):
    order = order_at(house, Step.PACKING, 2, at=NOW - 90 * HOUR)
    act = handed_over(house, order, "A1", "A2")
    correct(house, act, Right(happened_at=NOW - 72 * HOUR), CAST.desk, NOW + HOUR)
    for code in ("A1", "A2"):
        assert state_of(house, order.copy(code)).entered_at == NOW - 72 * HOUR


# ---------------------------------------------------------------- corrections


def test_a_corrected_time_counts_and_both_lines_are_kept(house, in_painting):
    late = NOW + 72 * HOUR
    done = move(house, in_painting, CAST.painter, late, "painted")
    correct(house, done.act, Right(happened_at=NOW + 5, reason="forgot"), CAST.desk, late + HOUR)
    assert state_of(house, in_painting).entered_at == NOW + 5
    assert rows(
        house,
        "SELECT kind, happened_at, recorded_at, reason, about_id FROM transitions"
        " WHERE copy_id = 1 AND seq > 1 ORDER BY seq",
    ) == [
        ("move", late, late, "", None),
        ("correction", NOW + 5, late + HOUR, "forgot", done.act),
    ]
    everything_folds(house)


def test_a_corrected_move_counts_and_no_news_is_written(house, finishing):
    model = make_order(house, CAST.desk, NOW, [Wanted(step=Step.ASSESSING)]).model()
    done = move(house, model, CAST.finisher, NOW, "good")
    before = rows(house, "SELECT * FROM news")
    correct(house, done.act, Right(move="by_eye"), CAST.desk, NOW + HOUR)
    assert rows(house, "SELECT * FROM news") == before
    with house.reading() as db:
        assert effective(store.log_of(db, model))[-1].move == "by_eye"


def test_a_move_corrected_into_another_step_takes_its_unsent_news_back(house):
    model = make_order(house, CAST.desk, NOW, [Wanted(step=Step.ASSESSING)]).model()
    done = move(house, model, CAST.finisher, NOW, "more_views")
    correct(house, done.act, Right(move="good"), CAST.desk, NOW + 60)
    assert step_of(house, model) is Step.FINISHING
    assert rows(house, "SELECT kind, taken_back_at FROM news") == [("more_views", NOW + 60)]
    everything_folds(house)


def test_a_struck_move_never_happened(house, in_painting):
    before = state_of(house, in_painting)
    done = move(house, in_painting, CAST.painter, NOW, "painted")
    correct(house, done.act, Right(struck=True), CAST.desk, NOW + 20 * HOUR)
    assert state_of(house, in_painting) == before
    with pytest.raises(NotFound, match="does not count any more"):
        correct(house, done.act, Right(happened_at=NOW), CAST.desk, NOW + 20 * HOUR)


def test_the_entering_of_a_piece_brought_in_wrongly_is_put_right(house):
    order = order_at(house, Step.PAINTING, imported=True)
    correct(house, 2, Right(step=Step.SHAPING, happened_at=NOW - HOUR), CAST.owner, NOW)
    state = state_of(house, order.copy())
    assert (state.step, state.entered_at) == (Step.SHAPING, NOW - HOUR)


def test_one_of_several_pieces_ticked_together_is_put_right_alone(house):
    order = order_at(house, Step.INSPECTION, 2)
    wishes = [Wish(order.copy(c), Kind.MOVE, "passed") for c in ("A1", "A2")]
    done = record(house, wishes, CAST.painter, NOW)
    with pytest.raises(Refused, match="Say why"):
        correct(house, done.act + 1, Right(move="back_to_painting"), CAST.desk, NOW + HOUR)
    correct(house, done.act + 1, Right(struck=True), CAST.desk, NOW + HOUR)
    assert step_of(house, order.copy("A1")) is Step.PACKING
    assert step_of(house, order.copy("A2")) is Step.INSPECTION


def test_two_models_finished_at_one_tap_are_put_right_apart(house):
    wanted = [Wanted("Juniper", step=Step.FINISHING), Wanted("Bramble", step=Step.FINISHING)]
    order = make_order(house, CAST.desk, NOW, wanted)
    wishes = [Wish(order.model(letter), Kind.MOVE, "model_finished") for letter in "AB"]
    done = record(house, wishes, CAST.finisher, NOW + HOUR)
    correct(house, done.act, Right(happened_at=NOW + 60), CAST.desk, NOW + 2 * HOUR)
    for letter, at in (("A", NOW + 60), ("B", NOW + HOUR)):
        assert state_of(house, order.model(letter)).entered_at == at
        assert state_of(house, order.copy(f"{letter}1")).entered_at == at


def test_striking_a_finished_model_sends_its_copies_back(house, finishing):
    done = move(house, finishing.model(), CAST.finisher, NOW, "model_finished")
    correct(house, done.act, Right(struck=True), CAST.desk, NOW + HOUR)
    assert step_of(house, finishing.model()) is Step.FINISHING
    assert {step_of(house, finishing.copy(c)) for c in ("A1", "A2")} == {Step.NOT_BEGUN}
    everything_folds(house)


@pytest.mark.parametrize("cause", ["", "model"])
def test_striking_a_remake_withdraws_what_replaced_the_piece(house, cause):
    order = order_at(house, Step.INSPECTION)
    done = move(house, order.copy(), CAST.painter, NOW, "remake", cause=cause, **BROKEN)
    correct(house, done.act, Right(struck=True), CAST.desk, NOW + HOUR)
    assert step_of(house, order.copy()) is Step.INSPECTION
    assert {step_of(house, ref) for ref in done.made} == {Step.CANCELLED}
    everything_folds(house)


def test_a_remake_is_struck_after_its_replacement_was_cancelled(house):
    order = order_at(house, Step.INSPECTION)
    done = move(house, order.copy(), CAST.painter, NOW, "remake", **BROKEN)
    walk(house, done.made[0], CAST.shaper, NOW, "blank_done")
    before = fingerprint(house.path)
    with pytest.raises(Refused, match="Cancel it instead"):
        correct(house, done.act, Right(struck=True), CAST.desk, NOW + HOUR)
    assert fingerprint(house.path) == before
    move(house, done.made[0], CAST.desk, NOW + HOUR, "cancel", reason="so", whose="studio")
    correct(house, done.act, Right(struck=True), CAST.desk, NOW + HOUR)
    assert step_of(house, order.copy()) is Step.INSPECTION


def test_the_time_of_a_remake_is_put_right_for_both_pieces(house):
    order = order_at(house, Step.INSPECTION)
    done = move(house, order.copy(), CAST.painter, NOW + HOUR, "remake", **BROKEN)
    correct(house, done.act, Right(happened_at=NOW + 5), CAST.desk, NOW + 2 * HOUR)
    assert state_of(house, done.made[0]).entered_at == NOW + 5
    assert state_of(house, order.copy()).entered_at == NOW + 5
    everything_folds(house)


@pytest.mark.parametrize("carrying", ["remake", "handed_over", "model_finished"])
def test_no_move_is_corrected_into_one_that_carries_others(house, carrying):
    start = Step.FINISHING if carrying == "model_finished" else Step.PACKING
    of = Of.MODEL if carrying == "model_finished" else Of.COPY
    key = "more_views" if of is Of.MODEL else "back_to_painting"
    order = (
        make_order(house, CAST.desk, NOW, [Wanted(step=start)])
        if of is Of.MODEL
        else order_at(house, start)
    )
    ref = order.model() if of is Of.MODEL else order.copy()
    done = move(house, ref, CAST.painter, NOW, key, **BROKEN)
    before = fingerprint(house.path)
    with pytest.raises(Refused, match="never happened"):
        correct(house, done.act, Right(move=carrying), CAST.desk, NOW + HOUR)
    assert fingerprint(house.path) == before


def test_the_move_of_an_entry_that_carried_others_is_not_changed(house, finishing):
    done = move(house, finishing.model(), CAST.finisher, NOW, "model_finished")
    before = fingerprint(house.path)
    with pytest.raises(Refused, match="moved other pieces with it"):
        correct(house, done.act, Right(move="more_views"), CAST.desk, NOW + HOUR)
    assert fingerprint(house.path) == before


@pytest.mark.parametrize(
    ("right", "words"),
    [
        (Right(happened_at=NOW + 2 * HOUR), "in the future"),
        (Right(happened_at=NOW - 1), "before the last thing"),
        (Right(happened_at=NOW + 91), "The move to Packing would not fit"),
        (Right(struck=True), "The move to Packing would not fit"),
        (Right(move="shaped"), "there is no such move"),
    ],
    ids=str,
)
def test_a_refused_correction_writes_nothing(house, in_painting, right, words):
    walk(house, in_painting, CAST.painter, NOW, "painted", "passed", each=45)
    before = fingerprint(house.path)
    with pytest.raises(Refused, match=words):
        correct(house, 3, right, CAST.desk, NOW + HOUR)
    assert fingerprint(house.path) == before


def test_a_correction_tapped_twice_is_made_once(house, in_painting):
    done = move(house, in_painting, CAST.painter, NOW + 60, "painted")
    correct(house, done.act, Right(happened_at=NOW + 5), CAST.desk, NOW + 90, "k")
    before = fingerprint(house.path)
    with pytest.raises(AlreadyMoved):
        correct(house, done.act, Right(happened_at=NOW + 5), CAST.desk, NOW + 90, "k")
    assert fingerprint(house.path) == before


def test_a_correction_works_when_the_clock_was_put_back(house, in_painting):
    done = move(house, in_painting, CAST.painter, NOW + 60, "painted")
    correct(house, done.act, Right(struck=True), CAST.desk, NOW - HOUR)
    assert step_of(house, in_painting) is Step.PAINTING
