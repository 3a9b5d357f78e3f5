"""Sentences put together from what people type."""

import pytest

from app.shared.web import words


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ("the far ear", "By eye: the far ear."),
        ("the far ear.", "By eye: the far ear."),
        ("the far ear\nthe tail", "By eye: the far ear; the tail."),
        ("The belly", "By eye: The belly."),
        ("The ear is hidden.\nThe tail too.", "By eye. The ear is hidden. The tail too."),
    ],
)
def test_what_was_typed_follows_its_lead_as_a_sentence(said: str, sentence: str) -> None:
    assert words.with_said("By eye", said) == sentence
