"""The public document: all that the customers' site knows of an order.

Plain sentences and nothing else; no address, mail, phone or surname of a customer or of the staff.
It travels as JSON in the pages file. The studio's own contact is in it.
"""

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass

from pydantic import TypeAdapter

FORM = 1


@dataclass(frozen=True, slots=True)
class Block:
    """A paragraph or a list.

    `kind` is text, quiet (what explains, in a lower voice), range (its odd lines are the days
    that stand out), points (a list) or steps (a numbered list).
    """

    kind: str
    lines: tuple[str, ...]


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
class Contact:
    """How to reach the studio."""

    mail: str
    phone: str
    hours: str


@dataclass(frozen=True, slots=True)
class Picture:
    """The one picture of a page, its caption and size in px. The bytes lie beside the page."""

    caption: str
    alt: str
    width: int
    height: int
    folded: bool = False


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
    contact: Contact
    picture: Picture | None = None


_DOCUMENT = TypeAdapter(Document)


def to_json(document: Document) -> str:
    """The document as it is kept in the pages file: the same text for the same document."""
    return json.dumps(
        {"form": FORM, **asdict(document)},
        ensure_ascii=False,
        separators=(",", ":"),
        sort_keys=True,
    )


def from_json(text: str) -> Document:
    """The document that a row of the pages file holds.

    Raises ValueError for anything that is none.
    """
    raw = json.loads(text)
    if not isinstance(raw, dict) or raw.get("form") != FORM:
        raise ValueError("this page was written by another version of the program")
    return _DOCUMENT.validate_python(raw)


def sentences(document: Document) -> Iterator[str]:
    """Every piece of text on the page, in the order in which it is read."""
    yield from (document.studio, document.heading, document.todo.answer, document.todo.more)
    yield from document.todo.tasks
    for section in document.sections:
        yield section.heading
        for block in section.blocks:
            yield "".join(block.lines) if block.kind == "range" else "\n".join(block.lines)
    if document.picture is not None:
        yield document.picture.caption
    contact = document.contact
    yield from (document.as_of, document.private, contact.mail, contact.phone, contact.hours)
