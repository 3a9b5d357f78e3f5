"""Working hours as a person types them."""

from datetime import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.studio.rules import read_hours, say_hours


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("9-17", "9:00-17:00"),
        ("9:00 to 12:30, 13:00–17:00", "9:00-12:30, 13:00-17:00"),
        ("900-1700", "9:00-17:00"),
        ("0:00-24:00", "0:00-24:00"),
        ("", ""),
    ],
)
def test_hours_are_read_as_they_are_written(typed, said):
    assert say_hours(read_hours(typed)) == said


@pytest.mark.parametrize(
    "typed",
    ["nine to five", "9", "25-26", "9-24:30", "9:60-10", "17-9", "9-9", "9-12, 11-13",
     "9-24:00, 10-11", "9-24, 0-8"],
)  # fmt: skip
def test_hours_that_cannot_be_are_refused_in_words(typed):
    with pytest.raises(ValueError, match="“"):
        read_hours(typed)


MINUTES = st.lists(st.integers(0, 24 * 60 - 1), min_size=2, max_size=8, unique=True).map(sorted)


@given(MINUTES)
def test_hours_are_read_back_as_said(minutes):
    spans = tuple(
        (time(a // 60, a % 60), time(b // 60, b % 60))
        for a, b in zip(minutes[::2], minutes[1::2], strict=False)
    )
    assert read_hours(say_hours(spans)) == spans
