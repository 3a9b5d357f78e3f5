"""Where photos were taken, drawn from above: the missing side lies between the two that are named."""

import re
from math import atan2, degrees, hypot

from hypothesis import given
from hypothesis import strategies as st

from app.status.round_drawing import SIZE, WORTH_DRAWING, drawn


def side_of(place: tuple[float, float]) -> float:
    """The side of a place in degrees counter-clockwise, as seen from above."""
    x, y = place[0] - SIZE / 2, SIZE / 2 - place[1]
    assert 60 < hypot(x, y) < SIZE / 2
    return degrees(atan2(y, x)) % 360


def test_the_missing_quarter_is_drawn_from_the_last_photo_on_to_the_first() -> None:
    for ends in ((180, 270), (270, 180)):
        found = drawn([*range(0, 181, 10), *range(270, 360, 10)], ends)
        assert found is not None
        assert len(found.dots) == 28
        assert [round(side_of(place)) for place in found.numbers] == list(ends)
        # From west (24, 120) counter-clockwise to south (120, 216): SVG's sweep 0, a small arc.
        assert found.missing == "M120 120 L24.0 120.0 A96 96 0 0 0 120.0 216.0 Z"


def test_between_neighbours_and_between_others_nothing_is_missing() -> None:
    whole = list(range(0, 360, 10))
    assert drawn(whole, (10, 20)) is None
    assert drawn([*range(0, 181, 10), *range(270, 360, 10)], (0, 90)) is None


@given(st.lists(st.integers(-720, 720), max_size=60), st.integers(0, 359), st.integers(0, 359))
def test_no_dot_lies_in_the_missing_side_and_it_is_as_wide_as_said(
    azimuths: list[int], first: int, second: int
) -> None:
    found = drawn(azimuths, (first, second))
    if found is None:
        return
    x1, y1, large, x2, y2 = (
        float(n)
        for n in re.findall(
            r"L([\d.]+) ([\d.]+) A96 96 0 ([01]) 0 ([\d.]+) ([\d.]+) Z", found.missing
        )[0]
    )
    begin, end = side_of((x1, y1)), side_of((x2, y2))
    wide = (end - begin) % 360 or 360
    assert wide > WORTH_DRAWING - 1
    assert bool(large) == (round(wide) > 180)
    inside = [place for place in found.dots if 1 < (side_of(place) - begin) % 360 < wide - 1]
    assert inside == []
