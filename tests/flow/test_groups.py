"""A group: two or more animals on one base, one piece made of several models."""

import pytest

from app.flow import store
from app.flow.amendments import Right, correct, undo
from app.flow.rules import effective
from app.flow.steps import Step
from app.shared.errors import Refused
from tests.flow.pieces import everything_folds
from tests.making import (
    CAST,
    HOUR,
    NOW,
    Wanted,
    make_order,
    move,
    piece,
    rows,
    step_of,
    versions_after,
)

TWO = [
    Wanted("Bracken", kind="dog", step=Step.FINISHING),
    Wanted("Thistle", kind="dog", step=Step.FINISHING, copies=0, beside="A1"),
]


@pytest.fixture
def pair(database):
    return make_order(database, CAST.desk, NOW, TWO)


def finish(database, order, letter, now=NOW, **said):
    return move(database, order.model(letter), CAST.finisher, now, "model_finished", **said)


def told(database):
    return rows(
        database, "SELECT letter FROM news WHERE kind = 'making_begun' AND taken_back_at IS NULL"
        " ORDER BY letter"
    )  # fmt: skip


@pytest.mark.parametrize(("first", "last"), ["AB", "BA"])
def test_a_group_begins_with_the_last_of_its_models(database, pair, first, last):
    finish(database, pair, first)
    assert step_of(database, pair.copy()) is Step.NOT_BEGUN
    assert told(database) == []
    finish(database, pair, last, NOW + HOUR)
    assert piece(database, pair.copy()).state.entered_at == NOW + HOUR
    assert step_of(database, pair.copy()) is Step.BLANK
    assert told(database) == [("A",), ("B",)], "the news is of both"


def test_a_single_sister_does_not_wait_for_the_companion(database):
    order = make_order(database, CAST.desk, NOW, [Wanted(step=Step.FINISHING, copies=2), TWO[1]])
    finish(database, order, "A")
    assert step_of(database, order.copy("A1")) is Step.NOT_BEGUN
    assert step_of(database, order.copy("A2")) is Step.BLANK


def test_undoing_the_last_finishing_takes_the_beginning_back(database, pair):
    finish(database, pair, "A")
    last = finish(database, pair, "B", NOW + 60)
    undo(database, last.act, CAST.finisher, NOW + 90)
    assert step_of(database, pair.model("B")) is Step.FINISHING
    assert step_of(database, pair.copy()) is Step.NOT_BEGUN
    assert told(database) == []
    finish(database, pair, "B", NOW + 120)
    assert step_of(database, pair.copy()) is Step.BLANK
    everything_folds(database)


def test_the_first_finishing_is_not_undone_under_a_group_that_has_begun(database, pair):
    first = finish(database, pair, "A")
    finish(database, pair, "B", NOW + 60)
    with pytest.raises(Refused, match="A1 stands on one base and has begun"):
        undo(database, first.act, CAST.finisher, NOW + 90)
    with pytest.raises(Refused, match="A1 stands on one base and has begun"):
        correct(database, first.act, Right(struck=True, reason="x"), CAST.owner, NOW + 90)
    late = Right(happened_at=NOW + 80, reason="x")
    with pytest.raises(Refused, match="A1 stands on one base and has begun"):
        correct(database, first.act, late, CAST.owner, NOW + 90)
    assert step_of(database, pair.model("A")) is Step.READY


def test_a_corrected_time_of_the_last_model_moves_the_beginning_with_it(database, pair):
    finish(database, pair, "A", NOW + 600)
    last = finish(database, pair, "B", NOW + 2 * HOUR)
    earlier = Right(happened_at=NOW + HOUR, reason="typed late")
    correct(database, last.act, earlier, CAST.owner, NOW + 3 * HOUR)
    assert piece(database, pair.copy()).state.entered_at == NOW + HOUR
    too_early = Right(happened_at=NOW + 300, reason="typed late")
    with pytest.raises(Refused, match="A1 stands on one base"):
        correct(database, last.act, too_early, CAST.owner, NOW + 3 * HOUR)


def test_a_finishing_that_is_typed_late_begins_nothing_before_the_other_model(database, pair):
    finish(database, pair, "A", NOW + HOUR)
    finish(database, pair, "B", NOW + 2 * HOUR, happened_at=NOW + 60)
    assert piece(database, pair.copy()).state.entered_at == NOW + HOUR


@pytest.mark.parametrize(("letter", "other"), ["AB", "BA"])
def test_a_remake_takes_a_new_version_of_the_model_that_was_wrong(database, pair, letter, other):
    finish(database, pair, "A")
    finish(database, pair, "B", NOW + 60)
    named = {"amount": pair.model(letter).id} if letter == "B" else {}
    done = move(
        database, pair.copy(), CAST.shaper, NOW + 120, "remake", cause="model", reason="an ear", **named
    )  # fmt: skip
    [newer] = versions_after(database, pair.model(letter))
    assert versions_after(database, pair.model(other)) == []
    [again] = [ref for ref in done.made if ref.of == "copy"]
    with database.reading() as db:
        made_of = set(store.groups.models_of(db, again.id))
    assert made_of == {newer.id, pair.model(other).id}
    assert step_of(database, again) is Step.NOT_BEGUN
    move(database, newer, CAST.finisher, NOW + 180, "model_finished")
    assert step_of(database, again) is Step.BLANK


def test_an_undone_remake_takes_the_companions_new_version_along(database, pair):
    finish(database, pair, "A")
    finish(database, pair, "B", NOW + 60)
    done = move(
        database, pair.copy(), CAST.shaper, NOW + 120, "remake", cause="model", reason="an ear",
        amount=pair.model("B").id,
    )  # fmt: skip
    [newer] = versions_after(database, pair.model("B"))
    undo(database, done.act, CAST.shaper, NOW + 150)
    assert step_of(database, newer) is Step.CANCELLED
    assert step_of(database, pair.copy()) is Step.BLANK
    everything_folds(database)


def test_a_remake_for_another_cause_keeps_who_stands_there(database, pair):
    finish(database, pair, "A")
    finish(database, pair, "B", NOW + 60)
    done = move(
        database, pair.copy(), CAST.shaper, NOW + 120, "remake", cause="blank", reason="broke"
    )
    [again] = done.made
    assert step_of(database, again) is Step.BLANK
    assert piece(database, again).beside == "B"


def test_the_log_says_once_that_it_began(database, pair):
    finish(database, pair, "A")
    finish(database, pair, "B", NOW + 60)
    with database.reading() as db:
        moves = [entry.move for entry in effective(store.log_of(db, pair.copy()))]
    assert moves == ["", "begun"]
