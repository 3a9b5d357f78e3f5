"""From facts to words: one folder of templates a kind, its text first, HTML as its twin.

The text is wrapped for reading in any mail program, the HTML carries no style of its own: the
reader's program and settings do.
"""

import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from jinja2 import Environment, Template
from markupsafe import Markup

from app.letters.facts import AnimalFacts, LetterFacts, ParcelFacts, Part
from app.letters.rules import ASKS, KINDS
from app.shared.web.templating import environment

WIDTH = 76
_SAY_WHEN = frozenset(
    {"running_later", "order_in", "photos_passed", "making_begun", "photos_counted"}
)
_ASK = ASKS | {"order_in", "last_call"}
_ITEM = re.compile(r"^(- |\d+\. )")
# In words for the desk: what a letter of this kind tells.
CALLED: Mapping[str, str] = {
    "order_in": "order in",
    "photos_counted": "photos counted",
    "more_views": "more views",
    "photos_passed": "photos passed",
    "last_call": "last call for copies",
    "making_begun": "making begun",
    "handed_over": "handed over",
    "received": "received",
    "photo_reminder": "photo reminder",
    "running_later": "running later",
    "question": "question",
}


@dataclass(frozen=True, slots=True)
class Words:
    """A letter in words."""

    subject: str
    text: str
    html: str


def subject(parts: Sequence[Part], facts: LetterFacts) -> str:
    """The subject: that of the part which asks or tells most."""
    first = parts[0]
    said = _template(f"{first.kind}/subject.txt", True).render(_context(first, facts, None))
    return " ".join(said.split())


def words_of(parts: Sequence[Part], facts: LetterFacts, link: str | None) -> Words:
    """The whole letter. `link` is the order's status link, None where it has none."""
    return Words(
        subject(parts, facts),
        _wrapped(_body("txt", parts, facts, link)),
        _body("html", parts, facts, link),
    )


def _body(kind: str, parts: Sequence[Part], facts: LetterFacts, link: str | None) -> str:
    plain = kind == "txt"
    name = "text.txt" if plain else "html.html"
    # Together they say the days once, and once that there is nothing to do, if nothing is asked.
    speaks = next((part for part in parts if part.kind in _SAY_WHEN), None)
    asks = any(part.kind in _ASK for part in parts)
    rest = replace(facts, when=())
    said = [
        _template(f"{part.kind}/{name}", plain).render(
            {
                **_context(part, facts if part is speaks else rest, link),
                "calm": part is speaks and not asks,
            }
        )
        for part in parts
    ]
    if not plain:
        # Each part has been escaped by its own template.
        said = [Markup(paragraph) for paragraph in said]  # noqa: S704
    context = {**_context(parts[0], facts, link), "said": said}
    return _template(f"frame.{kind}", plain).render(context)


def _context(part: Part, facts: LetterFacts, link: str | None) -> dict[str, Any]:
    animals = _spoken_of(part, facts)
    spoken = {animal.letter for animal in animals}
    return {
        "facts": facts,
        "part": part,
        "link": link,
        "animals": animals,
        "names": [animal.name for animal in animals],
        "all_names": [animal.name for animal in facts.animals],
        "one": animals[0] if len(animals) == 1 else None,
        "remembered": any(animal.remembered for animal in animals),
        "how_to": [c for c in facts.how_to if not c.letters or spoken & set(c.letters)],
        "parcel": _parcel(part, facts),
        "question": next((q for q in facts.questions if q.id == part.round), None),
    }


def _spoken_of(part: Part, facts: LetterFacts) -> tuple[AnimalFacts, ...]:
    if not part.letters:
        return facts.animals
    return tuple(animal for animal in facts.animals if animal.letter in part.letters)


def _parcel(part: Part, facts: LetterFacts) -> ParcelFacts | None:
    if part.kind not in ("handed_over", "received"):
        return None
    return next((parcel for parcel in facts.parcels if parcel.id == part.round), None)


@cache
def _environments() -> tuple[Environment, Environment]:
    html = environment()
    # Plain text is not HTML: what is escaped there would be read as it stands.
    return html, html.overlay(autoescape=False)


@cache
def _template(name: str, plain: bool) -> Template:
    return _environments()[plain].get_template(f"letters/{name}")


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


assert set(CALLED) == set(KINDS)
