"""What is kept of a letter: its parts and its words, fixed when it is formed. No database here."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pydantic import TypeAdapter

from app.letters import first_form
from app.status.document import Section

_FORM = 3


@dataclass(frozen=True, slots=True)
class Part:
    """One kind of news in a letter, of some animals (by their letters) or of the whole order.

    `round` is what the news gave: an attempt, a reminder's number, a parcel or question. `cause`
    says that the letter went because of it; otherwise it came along.
    """

    kind: str
    letters: tuple[str, ...] = ()
    round: int = 0
    cause: bool = True


@dataclass(frozen=True, slots=True)
class WordedLetter:
    """A letter in words. Only the order's link is added when it leaves: a link may be replaced.

    `greeting` and `sign_off` (its lines) are the studio's own words or the program's, `contact`
    how the studio is reached, in one line. A section without a heading is read on from what stands
    before it.
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
        raw = first_form.in_words(raw, kinds)
    if form in (1, 2):
        # Then every studio greeted and signed alike.
        raw |= {"greeting": f"Dear {raw.get('name')},", "sign_off": [raw.get("studio")]}
    elif form != _FORM:
        raise ValueError("this letter was formed by another version of the program")
    return _LETTER.validate_python(raw)


def parts_to_json(parts: Sequence[Part]) -> str:
    """The parts as they are kept with a letter."""
    return json.dumps([asdict(part) for part in parts], separators=(",", ":"))


def parts_from_json(text: str) -> tuple[Part, ...]:
    """The parts that were kept. Raises ValueError for anything else."""
    return _PARTS.validate_json(text)
