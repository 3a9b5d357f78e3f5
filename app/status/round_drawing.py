"""Where photos were taken, seen from above, and the side that none of them shows. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import cos, radians, sin

SIZE = 240
_MIDDLE, _OF_DOTS, _OF_WEDGE, _OF_NUMBERS = SIZE / 2, 84.0, 96.0, 108.0
WORTH_DRAWING = 35
"""Degrees. A narrower gap is a step from one photo to the next."""

Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class RoundDrawing:
    """Places in a square of SIZE: a dot for each photo, the missing side as an SVG path, and where
    the numbers of the two photos at its ends stand."""

    dots: tuple[Place, ...]
    missing: str
    numbers: tuple[Place, Place]


def drawn(azimuths: Sequence[int], ends: tuple[int, int]) -> RoundDrawing | None:
    """The drawing of photos taken from these sides, in degrees counter-clockwise.

    `ends` are those of the two photos that a request names. None where there is no gap between
    them: then the request is about something else.
    """
    seen = sorted({azimuth % 360 for azimuth in azimuths} | {end % 360 for end in ends})
    gaps = {(a, b % 360): b - a for a, b in pairwise([*seen, seen[0] + 360])}
    first, second = (end % 360 for end in ends)
    begin, end = max(((first, second), (second, first)), key=lambda arc: gaps.get(arc, 0))
    wide = gaps.get((begin, end), 0)
    if first == second or wide < WORTH_DRAWING:
        return None
    (x1, y1), (x2, y2) = _at(begin, _OF_WEDGE), _at(end, _OF_WEDGE)
    missing = (
        f"M{_MIDDLE:.0f} {_MIDDLE:.0f} L{x1} {y1}"
        f" A{_OF_WEDGE:.0f} {_OF_WEDGE:.0f} 0 {int(wide > 180)} 0 {x2} {y2} Z"
    )
    dots = tuple(_at(azimuth, _OF_DOTS) for azimuth in seen)
    return RoundDrawing(dots, missing, (_at(first, _OF_NUMBERS), _at(second, _OF_NUMBERS)))


def _at(azimuth: float, reach: float) -> Place:
    angle = radians(azimuth)
    return round(_MIDDLE + reach * cos(angle), 1), round(_MIDDLE - reach * sin(angle), 1)
