"""What still cures when a step is done, and from when a piece may be wrapped. Pure.

A film that is dry but not cured takes prints of what it is wrapped in. How long each material takes
stands in a table of the studio's own; the product's sheet rules.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from app.flow.steps import Step

HOUR, DAY = 3_600, 86_400
_MOST_DAYS = 400
# Where a last coat has to be named, and where something that cures may be among the work.
COATED = Step.PAINTING
MAY_CURE = (Step.BLANK, Step.SHAPING, Step.PAINTING)
# What is said where nothing cures: a choice of its own, so that nobody passes it over.
NOTHING = "nothing that cures"
# From the last coat to wrapping. Common practice, no source, within the ranges of product sheets: a
# varnish film is dry in hours and hard in days, oil takes one to two weeks to be dry to the touch,
# epoxy cures fully in one to two weeks. The first is what most pieces end with.
USUAL = """\
varnish over acrylics: 3 days
acrylic paint, no varnish: 2 days
spray varnish or lacquer: 2 days
oil paint: 14 days
epoxy, filler or putty: 7 days
casting resin: 1 day
printed resin, washed and cured: 12 hours
wax: 1 day"""
_LINE = re.compile(r"^(.*\S)\s*[:=]\s*(\d{1,4})\s*(h|hours?|d|days?)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Cure:
    """A material and how long after its last coat a piece may be wrapped, in seconds."""

    material: str
    seconds: int

    def written(self) -> str:
        """The row as it is typed: `oil paint: 14 days`."""
        return f"{self.material}: {self.time}"

    @property
    def time(self) -> str:
        """How long, in words: 14 days, 12 hours."""
        number, unit = (
            (self.seconds // DAY, "day")
            if self.seconds and self.seconds % DAY == 0
            else (self.seconds // HOUR, "hour")
        )
        return f"{number} {unit}{'' if number == 1 else 's'}"


@dataclass(frozen=True, slots=True)
class Coat:
    """What was laid on last, in words, and from when (UTC seconds) it may be wrapped.

    `until` is None where nothing cures.
    """

    material: str
    until: int | None


def read_table(text: str) -> tuple[Cure, ...]:
    """The table as typed, a material a line. Raises ValueError with a sentence for the page."""
    rows: dict[str, Cure] = {}
    for line in filter(None, (line.strip() for line in text.splitlines())):
        found = _LINE.match(line)
        if found is None or not found[2].isascii():
            raise ValueError(f"“{line[:60]}” is not a row. Write it like oil paint: 14 days.")
        material, number, unit = found[1], int(found[2]), found[3].lower()
        seconds = number * (HOUR if unit.startswith("h") else DAY)
        if len(material) > 60:
            raise ValueError(f"“{material[:60]}…” is too long: 60 characters at most.")
        if material.casefold() in rows or material.casefold() == NOTHING:
            raise ValueError(f"“{material}” stands there twice.")
        if seconds > _MOST_DAYS * DAY:
            raise ValueError(f"“{material}”: {_MOST_DAYS} days at most.")
        rows[material.casefold()] = Cure(material, seconds)
    if not rows:
        raise ValueError("Enter at least one material.")
    return tuple(rows.values())


def written(rows: Iterable[Cure]) -> str:
    """A table in the form in which it is typed."""
    return "\n".join(row.written() for row in rows)


def later(*moments: int | None) -> int | None:
    """The last of some moments, or None: what is under a new coat goes on curing."""
    return max((moment for moment in moments if moment is not None), default=None)
