"""The studio's own list of boxes, as typed: "Small 30x22x25, Large 45x37x40". Pure."""

import re
from dataclasses import dataclass

_SIDE = r"(\d{1,3}(?:\.\d)?)"
_BOX = re.compile(rf"^(?P<name>.*?)\s*{_SIDE}\s*[x×*]\s*{_SIDE}\s*[x×*]\s*{_SIDE}(?:\s*cm)?$", re.I)
_LEAST, _MOST = 50, 2_000


@dataclass(frozen=True, slots=True)
class Box:
    """A box: its name, and its inner length, width and height in mm."""

    name: str
    length: int
    width: int
    height: int

    @property
    def volume(self) -> int:
        """Its inside in mm³."""
        return self.length * self.width * self.height

    @property
    def measures(self) -> str:
        """Its inner measures in cm: 30×22×25."""
        return "×".join(f"{side / 10:g}" for side in (self.length, self.width, self.height))

    def __str__(self) -> str:
        return f"{self.name} {self.measures}".strip()


def read_boxes(text: str) -> list[Box]:
    """The boxes of a list with commas between them; lengths in cm, inside, height last.

    Raises ValueError with a sentence for the page.
    """
    found: list[Box] = []
    for part in filter(None, (part.strip() for part in text.split(","))):
        read = _BOX.match(part)
        if read is None:
            raise ValueError(f"“{part}” is not a box. Write it like Small 30x22x25, in cm.")
        sides = [round(float(side) * 10) for side in read.groups()[1:]]
        if not all(_LEAST <= side <= _MOST for side in sides):
            raise ValueError(f"“{part}”: each side from 5 to 200 cm, please.")
        box = Box(read["name"], *sides)
        if str(box) in map(str, found):
            raise ValueError(f"“{part}” is in the list twice.")
        found.append(box)
    return found


def say_boxes(boxes: list[Box]) -> str:
    """A list of boxes in the form in which it is typed."""
    return ", ".join(map(str, boxes))
