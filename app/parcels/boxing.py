"""Which boxes a parcel needs: its pieces with their cushion, one box in another. Pure.

Lengths are whole mm, volumes litres. Pieces stand upright, on one level: nothing fragile carries
another piece. Each has its cushion all round, so two of them have twice that between them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from app.studio.boxes import Box

# At least 2 in of cushion round each fragile item, and about 3 in between the two boxes of a
# double box: a carrier's packing guide, rounded as the trade does.
CUSHION, BETWEEN = 50, 75
# Beyond so many pieces, or tries, nobody waits for an answer: the packer chooses by eye.
MOST, _TRIES = 8, 60_000


@dataclass(frozen=True, slots=True)
class Bulk:
    """How much room a piece takes, with its base; `guessed` where nobody measured it."""

    length: int
    width: int
    height: int
    guessed: bool = False

    @property
    def volume(self) -> int:
        """Of the block around it, in mm³."""
        return self.length * self.width * self.height


@dataclass(frozen=True, slots=True)
class Boxed:
    """The boxes that were chosen, and the room to fill: round the pieces, and between the boxes."""

    inner: Box
    outer: Box
    round_pieces: float
    between: float


# A figure's other sides, as parts of the one that was ordered: common practice, no source. The
# tallest stance and the widest legs are meant, so that the box is rather too large.
_SHAPES = {
    "height": (1.4, 0.7, 1.0),
    "shoulder": (1.6, 0.8, 1.4),
    "back": (1.6, 0.8, 1.4),
    "length": (1.0, 0.6, 1.0),
    "": (1.6, 0.8, 1.4),
}
# What a base adds below and beside the figure.
_BASE_HIGH, _BASE_WIDE = 20, 20


def guess(size: int, measured: str | None, *, base: bool, animals: int = 1) -> Bulk:
    """The room that a piece takes, guessed from the one size it was ordered in.

    `measured` is where that size is; several animals on one base stand side by side.
    """
    long, wide, high = (round(size * part) for part in _SHAPES.get(measured or "", _SHAPES[""]))
    more = _BASE_WIDE if base else 0
    return Bulk(long + more, wide * animals + more, high + (_BASE_HIGH if base else 0), True)


def choose(pieces: Sequence[Bulk], boxes: Iterable[Box]) -> Boxed | None:
    """The smallest outer box of a list that takes an inner one with all the pieces, and for it the
    smallest such inner one; None where no two boxes do, or there are too many pieces to try."""
    if not pieces or len(pieces) > MOST:
        return None
    known = sorted(boxes, key=lambda box: box.volume)
    holds = [box for box in known if fits(pieces, box)]
    for outer in known:
        for inner in holds:
            if goes_into(inner, outer):
                held = sum(piece.volume for piece in pieces)
                return Boxed(
                    inner, outer, _litres(inner.volume - held), _litres(outer.volume - inner.volume)
                )
    return None


def least_inside(piece: Bulk) -> str:
    """What an inner box for one piece measures at least, inside, in cm: 30×22×25."""
    sides = (piece.length, piece.width, piece.height)
    return Box("", *(side + 2 * CUSHION for side in sides)).measures


def goes_into(inner: Box, outer: Box) -> bool:
    """Whether a box stands in another with room between them all round, turned or not."""
    long, wide, high = (s + 2 * BETWEEN for s in (inner.length, inner.width, inner.height))
    turned = min(long, wide) <= min(outer.length, outer.width)
    return high <= outer.height and turned and max(long, wide) <= max(outer.length, outer.width)


def fits(pieces: Sequence[Bulk], box: Box) -> bool:
    """Whether pieces stand in a box beside each other, each in its cushion, turned or not."""
    cells = [(p.length + 2 * CUSHION, p.width + 2 * CUSHION) for p in pieces]
    if any(p.height + 2 * CUSHION > box.height for p in pieces):
        return False
    if sum(long * wide for long, wide in cells) > box.length * box.width:
        return False
    cells.sort(key=lambda cell: -cell[0] * cell[1])
    return _place(cells, [], (box.length, box.width), [_TRIES])


_Placed = tuple[int, int, int, int]


def _place(
    left: Sequence[tuple[int, int]], done: list[_Placed], floor: tuple[int, int], tries: list[int]
) -> bool:
    """Lay the cells on the floor, one after another, at corners of what lies there already."""
    if not left:
        return True
    across = sorted({0, *(x + long for x, _, long, _ in done)})
    along = sorted({0, *(y + wide for _, y, _, wide in done)})
    for number, cell in enumerate(left):
        if cell in left[:number]:
            continue
        rest = [*left[:number], *left[number + 1 :]]
        for long, wide in {cell, cell[::-1]}:
            for x in across:
                for y in along:
                    tries[0] -= 1
                    if tries[0] < 0:
                        return False
                    one = (x, y, long, wide)
                    if _free(one, done, floor) and _place(rest, [*done, one], floor, tries):
                        return True
    return False


def _free(one: _Placed, done: Iterable[_Placed], floor: tuple[int, int]) -> bool:
    x, y, long, wide = one
    if x + long > floor[0] or y + wide > floor[1]:
        return False
    return all(
        x >= a + length or a >= x + long or y >= b + width or b >= y + wide
        for a, b, length, width in done
    )


def _litres(volume: int) -> float:
    return round(volume / 1e6, 1)
