"""The order of work: a visible rule, with its reason beside each row. Pure.

Remakes and rework come first, then pieces needed by a day whose chance is falling, then the
oldest by the day the photos were accepted. Never by entry into the step, or rework would queue
twice; before photos have passed, by the day they were counted.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

FALLING = 0.85
# Chances below and from which no number is named to anybody.
HARDLY, NEARLY_SURE = 0.05, 0.9
DayWords = Callable[[date], str]


@dataclass(frozen=True, slots=True)
class QueueFacts:
    """What decides a piece's place.

    `chance` is that of being ready by `needed_by`, between 0 and 1, or None where unknown.
    The days are the studio's own; all may be missing.
    """

    remake: bool
    reworks: int
    needed_by: date | None
    chance: float | None
    accepted: date | None
    counted: date | None
    began: date


@dataclass(frozen=True, slots=True)
class PlaceInQueue:
    """A piece's place (smaller is sooner) and the reason in words."""

    rank: tuple[int, int, int]
    reason: str


def place(piece: QueueFacts, say_day: DayWords) -> PlaceInQueue:
    """Where a piece stands in the order of work, and why."""
    since = piece.accepted or piece.counted or piece.began
    age = since.toordinal()
    if piece.remake or piece.reworks:
        word = "a remake goes first" if piece.remake else "rework goes first"
        return PlaceInQueue((0, 0, age), word)
    if piece.needed_by is not None and (piece.chance is None or piece.chance < FALLING):
        return PlaceInQueue(
            (1, piece.needed_by.toordinal(), age), f"needed by {say_day(piece.needed_by)}"
        )
    if piece.accepted is not None:
        return PlaceInQueue((2, age, age), f"photos accepted {say_day(piece.accepted)}")
    if piece.counted is not None:
        return PlaceInQueue((2, age, age), f"photos here since {say_day(piece.counted)}")
    return PlaceInQueue((2, age, age), f"here since {say_day(piece.began)}")
