"""Undo, on a real file: nothing is edited, everything goes back."""

import pytest

from app.flow import store
from app.flow.actions import Wish, record
from app.flow.amendments import undo
from app.flow.rules import Kind
from app.flow.steps import Step
from app.shared.errors import AlreadyMoved, NotFound, Refused
from tests.flow.pieces import BROKEN, everything_folds, order_at, state_of
from tests.making import CAST, HOUR, NOW, fingerprint, move, piece, rows, step_of, versions_after


def test_an_undo_gives_the_state_back_and_leaves_the_log(database, in_painting):
    before = state_of(database, in_painting)
    done = move(database, in_painting, CAST.painter, NOW + 60, "painted")
    undo(database, done.act, CAST.painter, NOW + 120)
    assert state_of(database, in_painting) == before
    assert rows(database, "SELECT kind, about_id FROM transitions WHERE copy_id = 1 ORDER BY seq") == [
        ("enter", None), ("move", None), ("undo", done.act),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("now", "error"), [(NOW + 60 + 601, Refused), (NOW + 60 - HOUR, None), (NOW + 660, None)]
)
def test_ten_minutes_are_for_undoing(database, in_painting, now, error):
    done = move(database, in_painting, CAST.painter, NOW + 60, "painted")
    if error is None:
        undo(database, done.act, CAST.painter, now)
        assert step_of(database, in_painting) is Step.PAINTING
        return
    before = fingerprint(database.path)
    with pytest.raises(error):
        undo(database, done.act, CAST.painter, now)
    assert fingerprint(database.path) == before


def test_an_undo_is_done_once(database, in_painting):
    done = move(database, in_painting, CAST.painter, NOW, "painted", once="k")
    undo(database, done.act, CAST.painter, NOW, "u")
    before = fingerprint(database.path)
    for once in ("u", "v", None):
        with pytest.raises(AlreadyMoved):
            undo(database, done.act, CAST.painter, NOW, once)
    assert fingerprint(database.path) == before


def test_the_key_of_a_move_does_not_serve_its_undo(database, in_painting):
    done = move(database, in_painting, CAST.painter, NOW, "painted", once="k")
    with pytest.raises(AlreadyMoved):
        undo(database, done.act, CAST.painter, NOW, "k")


def test_an_entry_that_is_not_there_is_not_found(database):
    with pytest.raises(NotFound):
        undo(database, 999, CAST.owner, NOW)


def test_an_undo_cannot_be_undone_and_an_order_cannot_be_unmade(database, in_painting):
    done = move(database, in_painting, CAST.painter, NOW, "painted")
    undone = undo(database, done.act, CAST.painter, NOW)
    before = fingerprint(database.path)
    for entry in (undone.act, 1):
        with pytest.raises(Refused):
            undo(database, entry, CAST.owner, NOW)
    assert fingerprint(database.path) == before


def test_undoing_takes_news_back_and_moving_again_writes_it_again(database, finishing):
    def news():
        return rows(database, "SELECT kind, taken_back_at, transition_id FROM news")

    done = move(database, finishing.model(), CAST.finisher, NOW, "model_finished")
    first = news()
    assert [(kind, back) for kind, back, _ in first] == [("making_begun", None)]
    undo(database, done.act, CAST.finisher, NOW + 9)
    assert [(kind, back) for kind, back, _ in news()] == [("making_begun", NOW + 9)]
    move(database, finishing.model(), CAST.finisher, NOW + 20, "model_finished")
    again = news()
    assert [(kind, back) for kind, back, _ in again] == [("making_begun", None)]
    assert again[0][2] != first[0][2]


def test_news_stays_with_the_move_that_brought_it(database):
    order = order_at(database, Step.NOT_BEGUN, 2)
    first = move(database, order.copy("A1"), CAST.shaper, NOW, "begun")
    second = move(database, order.copy("A2"), CAST.shaper, NOW + 60, "begun")
    undo(database, second.act, CAST.shaper, NOW + 70)
    assert rows(database, "SELECT kind, at, transition_id, taken_back_at FROM news") == [
        ("making_begun", NOW, first.act, None)
    ]


def test_undoing_a_finished_model_takes_all_its_copies_back(database, finishing):
    refs = [finishing.model(), finishing.copy("A1"), finishing.copy("A2")]
    before = [state_of(database, ref) for ref in refs]
    done = move(database, finishing.model(), CAST.finisher, NOW + 60, "model_finished")
    undo(database, done.act, CAST.finisher, NOW + 90)
    assert [state_of(database, ref) for ref in refs] == before


def test_the_same_is_undone_from_the_entry_of_a_copy(database, finishing):
    done = move(database, finishing.model(), CAST.finisher, NOW + 60, "model_finished")
    undo(database, done.act + 2, CAST.finisher, NOW + 90)
    assert step_of(database, finishing.model()) is Step.FINISHING


def test_an_act_is_not_undone_once_one_of_its_pieces_went_on(database, finishing):
    done = move(database, finishing.model(), CAST.finisher, NOW + 60, "model_finished")
    move(database, finishing.copy("A2"), CAST.shaper, NOW + 70, "blank_done")
    before = fingerprint(database.path)
    with pytest.raises(Refused, match="Only the last thing"):
        undo(database, done.act, CAST.finisher, NOW + 90)
    assert fingerprint(database.path) == before


def test_taking_in_hand_and_moving_in_one_act_are_undone_together(database, in_painting):
    before = state_of(database, in_painting)
    wishes = [Wish(in_painting, Kind.START), Wish(in_painting, Kind.MOVE, "painted")]
    done = record(database, wishes, CAST.painter, NOW)
    undo(database, done.act, CAST.painter, NOW)
    assert state_of(database, in_painting) == before


# ---------------------------------------------------------------- undoing a remake


def test_undoing_a_remake_withdraws_the_new_row(database):
    order = order_at(database, Step.INSPECTION)
    before = state_of(database, order.copy())
    done = move(database, order.copy(), CAST.painter, NOW, "remake", **BROKEN)
    undo(database, done.act, CAST.painter, NOW)
    assert state_of(database, order.copy()) == before
    assert step_of(database, done.made[0]) is Step.CANCELLED
    assert rows(database, "SELECT id FROM copies WHERE withdrawn = 1") == [(done.made[0].id,)]
    with database.reading() as db:
        assert {p.ref for p in store.pieces_of_order(db, order.id)} == set(order.pieces.values())
    again = move(database, order.copy(), CAST.painter, NOW, "remake", **BROKEN)
    assert piece(database, again.made[0]).making == 3
    everything_folds(database)


def test_a_remake_that_was_worked_on_is_not_undone(database):
    order = order_at(database, Step.INSPECTION)
    done = move(database, order.copy(), CAST.painter, NOW, "remake", **BROKEN)
    move(database, done.made[0], CAST.shaper, NOW, "blank_done")
    before = fingerprint(database.path)
    with pytest.raises(Refused, match="worked on since"):
        undo(database, done.act, CAST.painter, NOW)
    assert fingerprint(database.path) == before


def test_undoing_the_only_remake_withdraws_the_models_next_version_too(database):
    order = order_at(database, Step.INSPECTION)
    done = move(database, order.copy(), CAST.painter, NOW, "remake", cause="model", **BROKEN)
    undo(database, done.act, CAST.painter, NOW)
    (version,) = versions_after(database, order.model())
    assert step_of(database, version) is Step.CANCELLED
    everything_folds(database)


@pytest.mark.parametrize("first_to_go", [0, 1])
def test_a_next_version_stays_until_its_last_remake_is_undone(database, first_to_go):
    order = order_at(database, Step.INSPECTION, 2)
    acts = [
        move(database, order.copy(code), CAST.painter, NOW, "remake", cause="model", **BROKEN).act
        for code in ("A1", "A2")
    ]
    (version,) = versions_after(database, order.model())
    undo(database, acts[first_to_go], CAST.painter, NOW)
    assert step_of(database, version) is Step.FINISHING
    undo(database, acts[1 - first_to_go], CAST.painter, NOW)
    assert step_of(database, version) is Step.CANCELLED
    assert {step_of(database, order.copy(c)) for c in ("A1", "A2")} == {Step.INSPECTION}
    everything_folds(database)
