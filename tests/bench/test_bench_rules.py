"""Cautions, causes, views and marks: the bench's own rules, without a database."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.bench.actions import read_views
from app.bench.rules import causes, cautions, same_hands
from app.flow.steps import CAUSES, DEFER, MAKING_STEPS, Step
from app.moving.rules import MOST_VIEWS, check_marks, check_views
from app.shared.errors import BadFields


@pytest.mark.parametrize("step", Step)
def test_cautions_end_by_deferring_to_the_sheets_that_came_with_the_product(step: Step) -> None:
    said = cautions(step)
    assert not said or said[-1] == DEFER
    assert bool(said) == (step in {Step.PHOTOS_WANTED, Step.BLANK, Step.SHAPING, Step.PAINTING,
                                   Step.PACKING})  # fmt: skip


@pytest.mark.parametrize("step", MAKING_STEPS)
def test_a_finding_is_caused_by_its_own_step_or_one_before_it_the_material_or_the_model(
    step: Step,
) -> None:
    keys = [key for key, _ in causes(step)]
    assert keys[-1] == "model"
    nobodys = {"material", "carrier"} if step is Step.PACKING else {"material"}
    assert set(keys[:-1]) - nobodys == set(map(str, MAKING_STEPS[: MAKING_STEPS.index(step) + 1]))
    assert nobodys <= set(keys), "what has left may have come back from a carrier"
    assert set(keys) <= set(CAUSES)


def test_views_are_read_one_a_line_without_their_numbers() -> None:
    typed = "1. left side of the face\n\n 2) both ears, from above \n- the tail\n• hooves"
    assert read_views(typed) == [
        "left side of the face",
        "both ears, from above",
        "the tail",
        "hooves",
    ]


@pytest.mark.parametrize("typed", ["", " \n ", "1.\n2.", "\n".join(["ear"] * (MOST_VIEWS + 1))])
def test_no_views_or_more_than_anybody_photographs_are_refused(typed: str) -> None:
    with pytest.raises(BadFields):
        check_views(read_views(typed))


@given(st.sets(st.integers(1, 9)), st.lists(st.integers(1, 9)))
def test_exactly_the_marks_that_must_match_have_to_be_ticked(must: set[int], ticked) -> None:
    if must <= set(ticked):
        check_marks(must, ticked)
        return
    with pytest.raises(BadFields, match=f"^{len(must - set(ticked))} mark"):
        check_marks(must, ticked)


def test_painter_and_inspector_are_one_person_only_where_both_are_known() -> None:
    assert same_hands([3, 5], 5)
    assert not same_hands([3], 5)
    assert not same_hands([None], None)
