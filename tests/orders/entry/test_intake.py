"""Reading a typed order: each field checked, nothing lost. No page, no database."""

from collections.abc import Mapping
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.flow.steps import Step
from app.orders.entry.form import LARGEST_MM, MOST_PICTURES, Draft, read
from app.orders.entry.shape import MOST_ANIMALS, MOST_COPIES, Shape
from app.shared.errors import BadFields

TODAY = date(2026, 3, 4)
LEAST = {"name": "Maren Oduya", "a0_name": "Juniper"}
UNDER_WAY = LEAST | {"under_way": "1", "a0_step": "ready", "a0_since": "2026-02-20"}


def wrong(**typed: str) -> dict[str, str]:
    """What is said of the least order with something else typed into it."""
    with pytest.raises(BadFields) as why:
        read(LEAST | typed, TODAY)
    return why.value.fields


def test_a_name_and_an_animal_are_enough() -> None:
    draft = read(LEAST, TODAY)
    assert draft.customer.name == "Maren Oduya"
    assert [len(animal.copies) for animal in draft.animals] == [1]
    assert not draft.order.gift


def test_everything_that_is_wrong_is_said_at_once_each_at_its_field() -> None:
    with pytest.raises(BadFields) as why:
        read(
            {
                "mail": "nobody", "needed_by": "2026-03-04", "paid": "perhaps", "a0c0_size": "4",
                "gift_day": "tomorrow", "a1_name": "Otis", "a1_pictures": "-3", "a1c1_size": "big",
            },
            TODAY,
        )  # fmt: skip
    assert set(why.value.fields) == {
        "name", "mail", "paid", "gift_day", "a0_name", "a0c0_size", "a1_pictures", "a1c1_size",
    }  # fmt: skip
    assert wrong(needed_by="2026-03-04") == {
        "needed_by": "That day is past. A day after today, or leave it empty."
    }


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("a0c0_size", "4"), ("a0c0_size", str(LARGEST_MM + 1)), ("a0c0_size", "12.5"),
        ("a0_pictures", str(MOST_PICTURES + 1)), ("needed_by", "2036-01-01"),
        ("needed_by", "0001-01-01"), ("taken_on", "2026-03-05"), ("gift_day", "9999-12-31"),
        ("customer_id", "9" * 30), ("a0_sex", "mare"), ("a0_life", "ghost"),
        ("channel", "pigeon"), ("note", "n" * 2001), ("a0c0_inscription", "\u202eJuniper"),
        ("name", "=?utf-8?q?Bcc:_x?="), ("a0_kind", "bell\x07"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_said_at_its_field(name: str, value: str) -> None:
    assert list(wrong(**{name: value})) == [name]


def test_an_animal_past_the_first_that_was_left_empty_is_passed_over() -> None:
    draft = read(LEAST | {"a1_name": "", "a1_kind": " ", "a1c0_size": "", "a2_name": "Otis"}, TODAY)
    assert [animal.fields.name for animal in draft.animals] == ["Juniper", "Otis"]


def test_a_copy_of_which_nothing_is_known_yet_is_a_copy() -> None:
    draft = read(LEAST | {"a0c0_size": "120", "a0c1_size": "", "a0c1_pose": ""}, TODAY)
    assert [copy.size for copy in draft.animals[0].copies] == [120, None]


def test_under_way_needs_a_step_and_a_day_for_each_piece() -> None:
    assert set(wrong(under_way="1")) == {"a0_step", "a0_since"}
    draft = read(UNDER_WAY | {"a0c0_step": "painting", "a0c0_since": "2026-03-01"}, TODAY)
    assert draft.animals[0].copies[0].step is Step.PAINTING


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"a0_step": "finishing", "a0c0_step": "blank", "a0c0_since": "2026-03-01"}, "a0c0_step"),
        ({"a0c0_step": ""}, "a0c0_step"),
        ({"a0c0_step": "painting"}, "a0c0_since"),
        ({"a0c0_step": "painting", "a0c0_since": "2026-03-05"}, "a0c0_since"),
        ({"a0c0_step": "received", "a0c0_since": "2026-03-01"}, "a0c0_step"),
        ({"a0_step": "painting", "a0c0_step": ""}, "a0_step"),
    ],
)
def test_steps_under_way_have_to_fit_together(changed: dict[str, str], field: str) -> None:
    assert field in wrong(**(UNDER_WAY | changed))


def test_an_order_under_way_may_be_needed_by_a_day_that_has_passed() -> None:
    typed = UNDER_WAY | {"a0c0_step": "painting", "a0c0_since": "2026-03-01"}
    draft = read(typed | {"needed_by": "2026-03-01"}, TODAY)
    assert draft.order.needed_by == date(2026, 3, 1)


def test_the_shape_has_a_place_for_everything_typed_and_a_limit() -> None:
    assert Shape.of({"a2c3_size": "1"}).copies == [1, 1, 4]
    assert Shape.of({"a99c99_size": "1", "name": "x", "ab_c": ""}).copies == [1] * MOST_ANIMALS
    assert Shape.of({"a0c99_size": "1"}).copies == [MOST_COPIES]
    full = Shape([MOST_COPIES] * MOST_ANIMALS)
    assert full.more_animals() == MOST_ANIMALS - 1
    assert full.more_copies(0) == MOST_COPIES - 1
    assert full.more_copies(99) == 0


@given(st.dictionaries(st.from_regex(r"a\d{1,2}(c\d{1,2})?_[a-z]{1,6}|[a-z_]{1,9}"), st.text()))
def test_whatever_is_typed_is_an_order_or_sentences(typed: dict[str, str]) -> None:
    found = said_of(typed)
    assert all(found.values()) if isinstance(found, dict) else found.customer.name


def said_of(typed: dict[str, str]) -> Draft | Mapping[str, str]:
    try:
        return read(typed, TODAY)
    except BadFields as why:
        return dict(why.fields)
