"""The public document: all that the customers' site knows of an order.

Plain sentences and nothing else; no address, mail, phone or surname of a customer or of the staff.
The studio's own contact is in it. `rendering` makes the page of it that the pages file holds.
"""

import re
from dataclasses import dataclass

from app.status.round_drawing import RoundDrawing

# The names of a page's pictures, which lie beside it: the released one, what is to be approved, and
# the customer's own photos that a request names.
PICTURE = "picture.jpg"
PICTURE_NAME = re.compile(r"(?:picture|photo)(?:-\d{1,2})?\.jpg")


@dataclass(frozen=True, slots=True)
class ShownPicture:
    """A picture of a page, its caption and size in px. The bytes lie beside the page, under its
    `name`."""

    caption: str
    alt: str
    width: int
    height: int
    folded: bool = False
    name: str = PICTURE


@dataclass(frozen=True, slots=True)
class Block:
    """A paragraph or a list.

    `kind` is text, quiet (what explains, in a lower voice), range (its odd lines are the days
    that stand out), points (a list), steps (a numbered list) or link (its words and an https
    address), or photos (the customer's own, under a line that says so); in letters also name (of
    whom what follows tells).
    """

    kind: str
    lines: tuple[str, ...]
    photos: tuple[ShownPicture, ...] = ()
    drawing: RoundDrawing | None = None


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it; a folded one is opened by a tap."""

    heading: str
    blocks: tuple[Block, ...]
    folded: bool = False


@dataclass(frozen=True, slots=True)
class ToDo:
    """What the customer needs to do, usually nothing: the answer, then what belongs to it."""

    answer: str
    more: str = ""
    tasks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StudioContact:
    """How to reach the studio."""

    mail: str
    phone: str
    hours: str

    @property
    def dialled(self) -> str:
        """The phone number as a link dials it (RFC 3966); empty where it is no plain number."""
        # The zero in "+44 (0)20" is dialled only without what stands before it.
        number = re.sub(
            r"[\s().\-/]", "", self.phone.replace("(0)", "" if "+" in self.phone else "0")
        )
        return number if re.fullmatch(r"\+?[0-9]{3,20}", number) else ""


@dataclass(frozen=True, slots=True)
class Document:
    """A status page. `title` names no animal where the order is a gift."""

    title: str
    heading: str
    studio: str
    number: int
    todo: ToDo
    sections: tuple[Section, ...]
    as_of: str
    private: str
    contact: StudioContact
    pictures: tuple[ShownPicture, ...] = ()
