"""What is kept of a letter: its parts and its words, fixed when it is formed. No database here."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pydantic import TypeAdapter

from app.shared.web import words
from app.status.document import Section

_FORM = 3


@dataclass(frozen=True, slots=True)
class Part:
    """One kind of news in a letter, of some animals (by their letters) or of the whole order.

    `round` is what the news gave: an attempt, a reminder's number, a parcel, question or act.
    `cause` says that the letter went because of it; otherwise it came along. `line` are the own
    words of the person who sent it.
    """

    kind: str
    letters: tuple[str, ...] = ()
    round: int = 0
    cause: bool = True
    line: str = ""


@dataclass(frozen=True, slots=True)
class WordedLetter:
    """A letter in words. Only the order's link is added when it leaves: a link may be replaced.

    `greeting` and `sign_off` (its lines) are the studio's own words or the program's, `contact`
    how the studio is reached, in one line. A section without a heading is read on from what stands
    before it, but not as if it were of the animal named last.
    """

    number: int
    greeting: str
    sign_off: tuple[str, ...]
    contact: str
    gift: bool
    sections: tuple[Section, ...]


_LETTER = TypeAdapter(WordedLetter)
_PARTS = TypeAdapter(tuple[Part, ...])


def letter_to_json(letter: WordedLetter) -> str:
    """The letter as it is kept."""
    return json.dumps({"form": _FORM, **asdict(letter)}, ensure_ascii=False, separators=(",", ":"))


def letter_from_json(text: str, parts: Sequence[Part]) -> WordedLetter:
    """The letter that was kept, also by a version that kept facts. Raises ValueError."""
    raw: Any = json.loads(text)
    form = raw.pop("form", None) if isinstance(raw, dict) else None
    if form == 1:
        kinds = [(part.kind, part.letters, part.round) for part in parts]
        raw = _in_words(raw, kinds)
    if form in (1, 2):
        # Then every studio greeted and signed alike.
        raw |= {"greeting": f"Dear {raw.get('name')},", "sign_off": [raw.get("studio")]}
    elif form != _FORM:
        raise ValueError("this email was written by another version of the program")
    return _LETTER.validate_python(raw)


def parts_to_json(parts: Sequence[Part]) -> str:
    """The parts as they are kept with a letter."""
    return json.dumps([asdict(part) for part in parts], separators=(",", ":"))


def parts_from_json(text: str) -> tuple[Part, ...]:
    """The parts that were kept. Raises ValueError for anything else."""
    return _PARTS.validate_json(text)


# ---------------------------------------------------------------- letters of an earlier version

# Such rows stay in a database for good. Their days, chapters and parcels were in words already;
# the sentences between them were the program's own, and are said here in short.
_SAID = {
    "question": "We have a question for you.",
    "more_views": "These views of {names} would help:",
    "order_in": "Thank you for your order of {names}. Its number with us is {number}.",
    "photo_reminder": "We don’t have any photos of {names} yet, or they haven’t reached us.",
    "running_later": "It’s taking longer than the dates we gave you.",
    "photos_passed": "The photos of {names} are good to work from.",
    "last_call": "More copies of {names} can still join your order and travel with it.",
    "making_begun": "We’ve started making {names} by hand.",
    "photos_counted": "The photos of {names} are here.",
}
_DAYS = frozenset({"running_later", "order_in", "photos_passed", "making_begun", "photos_counted"})
_HOW_TO = frozenset({"order_in", "photo_reminder"})


def _in_words(raw: dict[str, Any], parts: Sequence[tuple[str, tuple[str, ...], int]]) -> Any:
    """The letter's fields, as plain data. `parts` are kind, letters and round.

    Raises ValueError where something is missing.
    """
    try:
        sections = [section for part in parts for section in _part(raw, *part)]
        kinds = {kind for kind, _, _ in parts}
        if kinds & _HOW_TO:
            sections += map(_chapter, raw["how_to"])
        if kinds & _DAYS:
            sections.append(_section(*map(_block, raw["when"])))
        own = {key: raw[key] for key in ("number", "name", "studio", "contact", "gift")}
        return {**own, "sections": sections}
    except (KeyError, TypeError) as why:
        raise ValueError("the facts of this email cannot be read") from why


def _part(raw: dict[str, Any], kind: str, letters: tuple[str, ...], round_: int) -> list[Any]:
    animals = [a for a in raw["animals"] if not letters or a["letter"] in letters]
    if kind in ("handed_over", "received"):
        return _parcel(raw, kind, round_)
    names = words.listed([animal["name"] for animal in animals])
    blocks = [_text(_SAID[kind].format(names=names, number=raw["number"]))]
    if kind == "question":
        blocks += [_text(q["asked"]) for q in raw["questions"] if q["id"] == round_]
    if kind == "more_views":
        blocks += [{"kind": "steps", "lines": a["views"]} for a in animals if a["views"]]
    if kind == "last_call" and raw["deadline"]:
        blocks.append(_text(f"The last day for them is {raw['deadline']}."))
    return [_section(*blocks)]


def _parcel(raw: dict[str, Any], kind: str, round_: int) -> list[Any]:
    blocks: list[Any] = []
    for parcel in raw["parcels"]:
        if parcel["id"] == round_:
            how = (f"The parcel left us on {parcel['sent']}", parcel["carrier"], parcel["number"])
            blocks.append(_text(f"{', '.join(filter(None, how))}."))
            if parcel["inside"]:
                blocks.append({"kind": "points", "lines": parcel["inside"]})
            if kind == "received" and parcel["received"] and not parcel["assumed"]:
                blocks.append(_text(f"It arrived on {parcel['received']}."))
    care = map(_chapter, raw["care"]) if kind == "received" else ()
    return [_section(*(blocks or [_text("Your order has left the workshop.")])), *care]


def _chapter(raw: dict[str, Any]) -> Any:
    return _section(*map(_block, raw["passages"]), heading=raw["heading"])


def _section(*blocks: Any, heading: str = "") -> Any:
    return {"heading": heading, "blocks": blocks}


def _block(raw: dict[str, Any]) -> Any:
    return {"kind": raw["kind"], "lines": raw["lines"]}


def _text(line: str) -> Any:
    return {"kind": "text", "lines": [line]}
