"""Sizes and scales, held against the definitions of their units and worked examples."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.orders.facts import sizes


@pytest.mark.parametrize(
    ("words", "mm"),
    [
        # A hand is four inches, an inch 25.4 mm exactly (International Yard and Pound Agreement,
        # 1959); 14.2 hands is the line between horse and pony of show rules, 147 to 148 cm there.
        ("14.2 hands", {"shoulder": 1473.2}),
        ("16 hh", {"shoulder": 1625.6}),
        ("15,3 hands, 2.4 m long", {"shoulder": 1600.2, "length": 2400}),
        ("52 cm at the shoulder", {"shoulder": 520}),
        ("48 cm at the withers; 70 cm nose to tail", {"shoulder": 480, "length": 700}),
        ("41 inches", {"shoulder": 1041.4}),
        ("5 ft 2 in", {"shoulder": 1574.8}),
        ("1.62 m", {"shoulder": 1620}),
        ("1,62 m", {"shoulder": 1620}),
        ("shell 24 cm long", {"length": 240}),
        ("33 cm from crown to tail", {"length": 330}),
        ("knee high", {}),
        ("", {}),
        ("about 3 years", {}),
        ("0 cm", {}),
    ],
)
def test_how_big_an_animal_is_is_read_from_words(words: str, mm: dict[str, float]) -> None:
    assert sizes.own(words) == pytest.approx(mm)


@pytest.mark.parametrize(
    ("size", "measured", "words", "said"),
    [
        # 1625.6 / 180 = 9.03; 520 / 60 = 8.67.
        (180, "shoulder", "16 hands", "about 1 : 9"),
        (60, "shoulder", "52 cm at the shoulder", "about 1 : 9"),
        (96, "length", "shell 24 cm long", "about 1 : 2.5"),
        (120, "length", "shell 24 cm long", "about 1 : 2"),
        # Measured otherwise than the animal, not at all, or larger than life: nothing is said.
        (60, "height", "52 cm at the shoulder", ""),
        (60, None, "52 cm at the shoulder", ""),
        (None, "shoulder", "52 cm at the shoulder", ""),
        (600, "shoulder", "52 cm at the shoulder", ""),
    ],
)
def test_the_scale_follows_from_both(
    size: int | None, measured: str | None, words: str, said: str
) -> None:
    found = sizes.scale_said(sizes.scale(size, measured, words))
    assert found.replace("\N{NO-BREAK SPACE}", " ") == said


@given(st.integers(100, 3000), st.floats(1, 40))
def test_a_size_at_a_scale_has_that_scale(animal: int, factor: float) -> None:
    """To within the half millimetre by which a size is rounded."""
    words = f"{animal} mm"
    size = sizes.at_scale(factor, "shoulder", words)
    assert size is not None
    assert abs(size * factor - animal) <= 0.5 * factor + 1e-6 or size == 1
    assert sizes.at_scale(factor, "length", words) is None


@given(st.text(max_size=40))
def test_no_words_are_an_error(words: str) -> None:
    assert all(mm > 0 for mm in sizes.own(words).values())


@pytest.mark.parametrize(
    ("kind", "where"),
    [
        ("horse", "shoulder"), ("Welsh pony", "shoulder"), ("dog", "shoulder"),
        ("parrot", "height"), ("tortoise", "length"), ("", ""), ("  ", ""),
    ],
)  # fmt: skip
def test_each_kind_is_measured_where_it_usually_is(kind: str, where: str) -> None:
    assert sizes.usual(kind) == where


def test_a_size_is_said_with_where_it_is_measured() -> None:
    assert sizes.said(110, "shoulder") == "110 mm at the shoulder"
    assert sizes.said(110, "height") == "110 mm high, base included"
    assert sizes.said(110, None) == sizes.said(110, "") == "110 mm"
