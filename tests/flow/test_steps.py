"""A step says everything of itself in one place: whoever adds one is told here what is missing."""

import pytest

from app.flow.steps import (
    BENCHES,
    CAUSES,
    ENDS,
    MAKING_STEPS,
    MOVES,
    OUTCOMES,
    REWORKS,
    STARTS,
    STEPS,
    MoveKey,
    Of,
    Step,
    moves_from,
)
from app.status.piece_words import COPY_WORDS


@pytest.mark.parametrize("step", Step)
def test_every_step_has_its_facts_and_a_way_out(step: Step) -> None:
    facts = STEPS[step]
    assert facts.name
    assert facts.usual <= facts.slow
    assert bool(moves_from(facts.of, step)) is (step not in ENDS)
    assert (step in STARTS[facts.of]) is facts.entry


@pytest.mark.parametrize("step", MAKING_STEPS)
def test_a_step_of_the_making_can_be_gone_back_to_and_be_the_cause(step: Step) -> None:
    assert CAUSES[step] == STEPS[step].cause
    ways_back = {move.start for move in MOVES if move.end is step and move.key in REWORKS}
    assert ways_back == set(MAKING_STEPS[MAKING_STEPS.index(step) + 1 :])


@pytest.mark.parametrize(
    "step", [step for step in Step if STEPS[step].of is Of.COPY and step not in (
        Step.REPLACED, Step.CANCELLED)]
)  # fmt: skip
def test_customers_read_a_sentence_of_every_step_of_a_copy(step: Step) -> None:
    assert step in COPY_WORDS


def test_every_key_moves_something_and_says_in_the_history_what_it_did() -> None:
    assert set(OUTCOMES) == set(MoveKey)
    assert all(OUTCOMES.values())


def test_benches_are_the_steps_with_usual_days_in_the_order_of_the_work() -> None:
    assert list(BENCHES) == [step for step in Step if STEPS[step].usual]
