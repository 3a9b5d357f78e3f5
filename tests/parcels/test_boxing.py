"""Boxes: the worked example of the trade, and that nothing smaller of the list would do."""

from itertools import permutations, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.parcels.boxing import CUSHION, MOST, Bulk, choose, fits, goes_into, guess, least_inside
from app.studio.boxes import Box, read_boxes, say_boxes

SHOP = read_boxes("Tiny 20x20x20, Small 30x22x25, Middle 45x37x40, Large 60x40x40")
TWENTY = Bulk(200, 120, 150)


def test_the_worked_example_of_the_trade() -> None:
    # Packing facts: 20×12×15 cm → inner 30×22×25 → outer 45×37×40, 66.6 litres inside. 5 cm of
    # cushion round a fragile item and about 7.5 cm between two boxes are a carrier's own guide.
    assert least_inside(TWENTY) == "30×22×25"
    found = choose([TWENTY], SHOP)
    assert found is not None
    assert (str(found.inner), str(found.outer)) == ("Small 30×22×25", "Middle 45×37×40")
    assert found.outer.volume == 66_600_000
    assert (found.round_pieces, found.between) == (12.9, 50.1)


@pytest.mark.parametrize("less", ["29.9x22x25", "30x21.9x25", "30x22x24.9"])
def test_a_millimetre_less_does_not_do(less: str) -> None:
    assert not fits([TWENTY], read_boxes(less)[0])
    assert choose([TWENTY], read_boxes(f"{less}, 45x37x40")) is None


def test_a_piece_is_turned_but_never_laid_down() -> None:
    assert fits([TWENTY], Box("", 220, 300, 250))
    assert not fits([TWENTY], Box("", 250, 220, 300))


def test_two_boxes_are_one_in_the_other_turned_or_not() -> None:
    assert goes_into(Box("", 300, 220, 250), Box("", 370, 450, 400))
    assert not goes_into(Box("", 300, 220, 250), Box("", 450, 400, 370))


def test_too_many_pieces_are_the_packers_own_choice() -> None:
    assert choose([Bulk(10, 10, 10)] * (MOST + 1), [Box("", 2000, 2000, 2000)] * 2) is None
    assert choose([], SHOP) is None


sides = st.integers(20, 150)
pieces = st.builds(Bulk, sides, sides, sides)
box_sides = st.integers(100, 600)
boxes = st.lists(
    st.builds(Box, st.just("x"), box_sides, box_sides, box_sides), min_size=1, max_size=8
)


@given(st.lists(pieces, min_size=1, max_size=4), boxes)
def test_all_fit_with_their_cushion_and_no_smaller_box_would_do(packed, known) -> None:
    found = choose(packed, known)
    pairs = [
        (inner, outer)
        for inner, outer in product(known, known)
        if fits(packed, inner) and goes_into(inner, outer)
    ]
    assert (found is None) == (not pairs)
    if found is not None:
        assert (found.inner, found.outer) in pairs
        least = min((outer.volume, inner.volume) for inner, outer in pairs)
        assert (found.outer.volume, found.inner.volume) == least
        assert found.round_pieces >= 0
        assert found.between > 0


@given(
    st.lists(st.tuples(st.integers(1, 3), st.integers(1, 3)), min_size=1, max_size=3),
    st.tuples(st.integers(1, 5), st.integers(1, 5)),
)
def test_what_fits_on_a_floor_is_what_every_place_tried_says(cells, floor) -> None:
    """On a floor of squares every place and turn of each piece is tried, without corners."""
    step = 2 * CUSHION
    stood = [Bulk(long * step - step, wide * step - step, 1) for long, wide in cells]
    box = Box("", floor[0] * step, floor[1] * step, step + 1)
    assert fits(stood, box) == _by_every_place(cells, floor)


def _by_every_place(cells, floor) -> bool:
    def lay(left, taken) -> bool:
        if not left:
            return True
        for long, wide in set(permutations(left[0])):
            for x, y in product(range(floor[0] - long + 1), range(floor[1] - wide + 1)):
                own = set(product(range(x, x + long), range(y, y + wide)))
                if not own & taken and lay(left[1:], taken | own):
                    return True
        return False

    return lay(cells, frozenset())


@pytest.mark.parametrize(
    ("measured", "base", "animals", "block"),
    [
        ("height", False, 1, (140, 70, 100)),
        ("shoulder", True, 1, (180, 100, 160)),
        (None, False, 1, (160, 80, 140)),
        ("length", False, 2, (100, 120, 100)),
    ],
)
def test_a_piece_with_one_size_is_guessed_and_said_to_be(measured, base, animals, block) -> None:
    found = guess(100, measured, base=base, animals=animals)
    assert (found.length, found.width, found.height, found.guessed) == (*block, True)


@pytest.mark.parametrize(
    "typed", ["Small", "30x22", "Small 3x22x25", "Huge 300x22x25", "A 30x22x25, A 30×22×25cm"]
)
def test_what_is_no_box_is_refused_in_words(typed: str) -> None:
    with pytest.raises(ValueError, match=r"box|side|twice"):
        read_boxes(typed)


def test_boxes_are_read_as_they_are_written() -> None:
    text = "Small 30×22×25, 45×37×40, No. 3 12.5×10×8"
    assert say_boxes(read_boxes(text)) == text
    assert read_boxes("No. 3 12.5 x 10 x 8 cm")[0] == Box("No. 3", 125, 100, 80)
    assert read_boxes(" , ") == []
