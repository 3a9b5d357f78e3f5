"""A letter's subject, and its words as text and HTML.

Both are made from the same words. The text is wrapped for reading in any mail program; the HTML
has the subject as its heading and one small style of its own, and is whole without it.
"""

import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from jinja2 import Environment

from app.flow.news import CHANGED, OFF_THE_LIST, ON_THE_LIST
from app.letters.letter import Part, WordedLetter
from app.letters.rules import KINDS
from app.letters.sentences import LetterContext
from app.orders.facts.cases import AFTERCARE
from app.orders.facts.order import OrderFacts
from app.shared.places import shipped
from app.shared.web.templating import environment
from app.status import parcel_words
from app.status.voice import likenesses

WIDTH = 76
_ITEM = re.compile(r"^(- |\d+\. )")
# In words for the desk: what a letter of this kind tells.
CALLED: Mapping[str, str] = {
    "cancelled": "cancelled",
    OFF_THE_LIST: "off the waiting list",
    ON_THE_LIST: "on the waiting list",
    AFTERCARE: "lost, damaged, sent back",
    "on_hold": "on hold",
    "made_again": "made again",
    "number_corrected": "tracking number put right",
    "order_in": "order in",
    CHANGED: "what changed",
    "photos_counted": "photos counted",
    "more_views": "more views",
    "photos_passed": "photos good to work from",
    "last_call": "last day for more copies",
    "making_begun": "making started",
    "handed_over": "handed over",
    "received": "received",
    "photo_reminder": "photo reminder",
    "approval_reminder": "approval reminder",
    "running_later": "taking longer",
    "question": "question",
}


@dataclass(frozen=True, slots=True)
class LetterWords:
    """A letter in words."""

    subject: str
    text: str
    html: str


# A kind's subject: as a rule, for an animal that is no longer alive (where it differs), and for a
# gift, which may be seen by whom it is for: after "Your order 1147", and naming no animal.
_SUBJECTS: Mapping[str, tuple[str, str, str]] = {
    "cancelled": ("Your order {number}: {cancelled}", "", ": {cancelled}"),
    OFF_THE_LIST: ("Your order {number}: off our waiting list", "", ": off our waiting list"),
    ON_THE_LIST: (
        "{names}: on our waiting list",
        "Your order {number}: on our waiting list",
        ": on our waiting list",
    ),
    AFTERCARE: (
        "{names}: what happened, and what we’re doing",
        "Your order {number}: what happened, and what we’re doing",
        ": what happened, and what we’re doing",
    ),
    "on_hold": (
        "{names}: we’ve paused the work",
        "Your order {number}: we’ve paused the work",
        ": we’ve paused the work",
    ),
    "made_again": (
        "{names}: something we’re making again",
        "Your order {number}: something we’re making again",
        ": something we’re making again",
    ),
    "number_corrected": (
        "{names}: the right tracking number",
        "Your order {number}: the right tracking number",
        ": the right tracking number",
    ),
    "question": ("A question about your order {number}", "", ": a question for you"),
    "more_views": (
        "More views of {names}",
        "Other photos of {names}, if you have any",
        ": something we need from you",
    ),
    "order_in": ("{names}: your order {number} is in", "Your order {number}, {names}", ""),
    CHANGED: (
        "{names}: what changed in your order {number}",
        "Your order {number}: what changed",
        ": what changed",
    ),
    "photo_reminder": ("Photos of {names}", "Your order {number}", ": something we need from you"),
    "approval_reminder": (
        "Your order {number}: is it as you’d like it?",
        "",
        ": a question for you",
    ),
    "running_later": (
        "{names}: it’s taking longer than we said",
        "Your order {number}: it’s taking longer than we said",
        ": a change of dates",
    ),
    "handed_over": (
        "{names}: your parcel has left us",
        "Your order {number}: your parcel has left us",
        ": your parcel has left us",
    ),
    "received": (
        "Looking after {looked_after}",
        "Your order {number}: looking after {looked_after}",
        ": how to look after {them}",
    ),
    "photos_passed": ("{names}: {good}", "", ""),
    "last_call": (
        "{names}: last day for more copies",
        "Your order {number}: last day for more copies",
        ": a date to know about",
    ),
    "making_begun": ("We’ve started making {names}", "We’ve started on {likenesses}", ""),
    "photos_counted": ("The photos of {names} are here", "", ""),
}


def subject(parts: Sequence[Part], facts: OrderFacts) -> str:
    """The subject: that of the part which asks or tells most."""
    telling = LetterContext.of(parts[0], facts)
    plain, remembered, gift = _SUBJECTS[telling.part.kind]
    said = (remembered if telling.remembered else "") or plain
    if facts.gift:
        said = f"Your order {{number}}{gift}"
    by_eye = any(animal.outcome == "by_eye" for animal in telling.animals)
    return said.format(
        names=telling.whose,
        likenesses=likenesses(telling.animals),
        number=facts.number,
        cancelled="part of it has been cancelled" if facts.alive else "it has been cancelled",
        them="them" if len(facts.copies) > 1 else "it",
        looked_after=parcel_words.looked_after(facts),
        good="we can start" if by_eye else "the photos are good to work from",
    )


# ---------------------------------------------------------------- text and HTML


def words_of(letter: WordedLetter, subject: str, link: str | None) -> LetterWords:
    """The whole letter. `link` is the order's status link, None where it has none."""
    said = {"letter": letter, "subject": subject, "link": link}
    html, plain = _environments()
    return LetterWords(
        subject,
        _wrapped(plain.get_template("letters/frame.txt").render(said)),
        html.get_template("letters/frame.html").render(said, style=style()),
    )


@cache
def style() -> str:
    """The style that stands in the head of every letter's HTML, as it stands there."""
    return (shipped("templates") / "letters" / "frame.css").read_text("utf-8")


@cache
def _environments() -> tuple[Environment, Environment]:
    html = environment()
    # Plain text is not HTML: what is escaped there would be read as it stands.
    return html, html.overlay(autoescape=False)


def _wrapped(text: str) -> str:
    """Paragraphs and list items wrapped, one empty line between paragraphs at most."""
    lines: list[str] = []
    for line in text.strip().splitlines():
        line = line.strip()
        if not line:
            if lines and lines[-1]:
                lines.append("")
            continue
        item = _ITEM.match(line)
        lines.extend(
            textwrap.wrap(
                line,
                WIDTH,
                subsequent_indent=" " * len(item.group()) if item else "",
                # A link that is broken in two opens nothing.
                break_long_words=False,
                break_on_hyphens=False,
            )
        )
    return "\n".join(lines) + "\n"


assert set(CALLED) == set(KINDS) == set(_SUBJECTS)
