"""What a letter is worded from: plain facts, fixed when it is formed. No database here.

`LetterFacts` is asked for by an argument (asking.Asked): the joining with an order's facts stands
in a higher room. Days are said in words already, as the studio says them on the day of forming.
"""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

_FORM = 1


@dataclass(frozen=True, slots=True)
class Passage:
    """A paragraph (text, quiet, or range: its odd pieces stand out) or a list (points, steps)."""

    kind: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Chapter:
    """A heading and what stands under it; of some animals, by their letters, or of all."""

    heading: str
    passages: tuple[Passage, ...]
    letters: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AnimalFacts:
    """An animal of the order as a letter speaks of it; cancelled ones are left out.

    `wanted` says that its photographs are asked for and that nobody has told us of any; `counted`
    that they are here; `passed` that they will do; `begun` that a copy has left its model behind;
    `left` that every copy has left the house. `by_eye` and `limits` are how they passed.
    """

    letter: str
    name: str
    he: str
    him: str
    his: str
    remembered: bool = False
    copies: int = 1
    pictures: int | None = None
    attempts: int = 0
    wanted: bool = False
    counted: bool = False
    passed: bool = False
    begun: bool = False
    left: bool = False
    finishing: bool = False
    views: tuple[str, ...] = ()
    by_eye: bool = False
    limits: str = ""
    limits_agreed: bool = False


@dataclass(frozen=True, slots=True)
class ParcelFacts:
    """What left the house. `received` is when it arrived, `assumed` that nobody has said so."""

    id: int
    way: str
    carrier: str
    number: str
    sent: str
    inside: tuple[str, ...] = ()
    received: str = ""
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class QuestionFacts:
    """An open question that is asked by letter, in the words that were typed for the customer."""

    id: int
    asked: str
    blocking: bool


@dataclass(frozen=True, slots=True)
class LetterFacts:
    """What the letters of one order can say; never the customer's mail, phone or address.

    `when` is what the order's page says of the days, `says_when` whether it names any of its own
    (not only that they are being worked out); `how_to` and `care` are the page's chapters on
    photographs and on looking after the pieces.
    """

    number: int
    name: str
    studio: str
    contact: str
    gift: bool
    animals: tuple[AnimalFacts, ...]
    how_to: tuple[Chapter, ...] = ()
    parcels: tuple[ParcelFacts, ...] = ()
    questions: tuple[QuestionFacts, ...] = ()
    all_passed: bool = False
    all_left: bool = False
    ship_part: bool = False
    when: tuple[Passage, ...] = ()
    says_when: bool = False
    care: tuple[Chapter, ...] = ()
    deadline: str = ""

    @property
    def remembered(self) -> str:
        """The letters of the animals that are no longer alive."""
        return "".join(animal.letter for animal in self.animals if animal.remembered)

    @property
    def copies(self) -> int:
        """How many pieces are made."""
        return sum(animal.copies for animal in self.animals)


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


def facts_to_json(facts: LetterFacts) -> str:
    """The facts as they are kept with a letter."""
    return json.dumps({"form": _FORM, **asdict(facts)}, ensure_ascii=False, separators=(",", ":"))


def facts_from_json(text: str) -> LetterFacts:
    """The facts that were kept. Raises ValueError for anything else."""
    try:
        raw: dict[str, Any] = json.loads(text)
        if raw.pop("form") != _FORM:
            raise ValueError("this letter was formed by another version of the program")
        raw["animals"] = tuple(
            AnimalFacts(**{**animal, "views": tuple(animal["views"])}) for animal in raw["animals"]
        )
        raw["how_to"] = tuple(_chapter(chapter) for chapter in raw["how_to"])
        raw["care"] = tuple(_chapter(chapter) for chapter in raw["care"])
        raw["when"] = _passages(raw["when"])
        raw["parcels"] = tuple(
            ParcelFacts(**{**parcel, "inside": tuple(parcel["inside"])})
            for parcel in raw["parcels"]
        )
        raw["questions"] = tuple(QuestionFacts(**question) for question in raw["questions"])
        return LetterFacts(**raw)
    except (KeyError, TypeError, AttributeError) as why:
        raise ValueError("the facts of this letter cannot be read") from why


def _chapter(raw: dict[str, Any]) -> Chapter:
    return Chapter(raw["heading"], _passages(raw["passages"]), tuple(raw["letters"]))


def _passages(raw: Sequence[dict[str, Any]]) -> tuple[Passage, ...]:
    return tuple(Passage(one["kind"], tuple(one["lines"])) for one in raw)


def parts_to_json(parts: Sequence[Part]) -> str:
    """The parts as they are kept with a letter."""
    return json.dumps([asdict(part) for part in parts], separators=(",", ":"))


def parts_from_json(text: str) -> tuple[Part, ...]:
    """The parts that were kept. Raises ValueError for anything else."""
    try:
        return tuple(Part(**{**raw, "letters": tuple(raw["letters"])}) for raw in json.loads(text))
    except (KeyError, TypeError) as why:
        raise ValueError("the parts of this letter cannot be read") from why
