"""The shape of the form on which an order is typed: animals, and their lines of copies. Pure."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from app.shared.text import whole_number

MOST_ANIMALS = 12
MOST_COPIES = 24
LETTERS = "ABCDEFGHIJKL"
_PLACE = re.compile(r"^a(\d{1,2})(?:c(\d{1,2}))?_")


def under(typed: Mapping[str, str], prefix: str) -> dict[str, str]:
    """The fields of a form whose names begin so, by the rest of their names."""
    return {name.removeprefix(prefix): v for name, v in typed.items() if name.startswith(prefix)}


def not_made(typed: Mapping[str, str], animal: int, line: int) -> bool:
    """Whether a line is no copy: nothing is typed in it, and its animal is on another's base."""
    elsewhere = bool(typed.get(f"a{animal}_beside"))
    return elsewhere and not any(v.strip() for v in under(typed, f"a{animal}c{line}_").values())


@dataclass(slots=True)
class Shape:
    """How many animals the form shows, and how many copies of each."""

    copies: list[int] = field(default_factory=lambda: [1])

    @classmethod
    def of(cls, typed: Mapping[str, str]) -> "Shape":
        """The shape of a form that was sent."""
        counts: dict[int, int] = {}
        for name in typed:
            if (found := _PLACE.match(name)) is not None:
                animal = int(found[1])
                copy = int(found[2]) + 1 if found[2] else 1
                counts[animal] = max(counts.get(animal, 1), copy)
        most = min(max(counts, default=0) + 1, MOST_ANIMALS)
        return cls([min(counts.get(n, 1), MOST_COPIES) for n in range(most)])

    def more_animals(self) -> int:
        """Add an animal; gives its place."""
        if len(self.copies) < MOST_ANIMALS:
            self.copies.append(1)
        return len(self.copies) - 1

    def more_copies(self, animal: int) -> int:
        """Add a copy of an animal; gives its place."""
        if 0 <= animal < len(self.copies) and self.copies[animal] < MOST_COPIES:
            self.copies[animal] += 1
        return self.copies[animal] - 1 if 0 <= animal < len(self.copies) else 0


@dataclass(frozen=True, slots=True)
class CopyLine:
    """A line of copies on the form: what they will be called, how many, whether a size is there."""

    code: str
    many: int
    sized: bool


def copy_lines(typed: Mapping[str, str], shape: Shape) -> list[list[CopyLine]]:
    """The lines of every animal of a form: A1, A2–A4 where a line counts for three, B1."""
    found: list[list[CopyLine]] = []
    for n, count in enumerate(shape.copies):
        lines, last = [], 0
        for c in range(count):
            place = f"a{n}c{c}_"
            many = whole_number(typed.get(f"{place}many", "").strip(), MOST_COPIES) or 1
            first, last = last + 1, last + many
            code = f"{LETTERS[n]}{first}" + (f"–{LETTERS[n]}{last}" if many > 1 else "")
            if not_made(typed, n, c):
                lines.append(CopyLine(code, 0, True))
                continue
            lines.append(CopyLine(code, many, bool(typed.get(f"{place}size", "").strip())))
        found.append(lines)
    return found


def bases_of(typed: Mapping[str, str], lines: list[list[CopyLine]]) -> list[list[tuple[str, str]]]:
    """By animal of a form, the lines of earlier animals on whose base it may stand, with words."""
    found: list[list[tuple[str, str]]] = []
    made: list[tuple[str, str]] = []
    for n, own in enumerate(lines):
        found.append(list(made))
        name = typed.get(f"a{n}_name", "").strip()
        if not typed.get(f"a{n}_beside"):
            made += [(f"a{n}c{c}", f"{line.code}, {name or 'no name yet'}")
                     for c, line in enumerate(own)]  # fmt: skip
    return found
