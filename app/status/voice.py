"""How an animal, a day and a handful of copies are spoken of. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from app.orders.facts.order import AnimalFacts, CopyFacts
from app.shared.calendar import Calendar
from app.shared.web import words

_FEATHERED = {
    "bird", "budgerigar", "budgie", "canary", "chicken", "cockatiel", "cockatoo", "cockerel",
    "crow", "duck", "finch", "goose", "hen", "macaw", "owl", "parakeet", "parrot", "pigeon",
    "rooster", "swan", "turkey",
}  # fmt: skip
_SHELLED = {"tortoise", "turtle", "terrapin"}
_SCALED = {"lizard", "gecko", "iguana", "snake", "fish", "carp", "koi"}


@dataclass(frozen=True, slots=True)
class Voice:
    """An animal's name and pronouns: by its sex, else the name itself."""

    name: str
    he: str
    him: str
    his: str


def own(name: str) -> str:
    """Juniper's."""
    return f"{name}’s"


def voice(animal: AnimalFacts) -> Voice:
    """How to speak of an animal."""
    if animal.sex == "female":
        return Voice(animal.name, "she", "her", "her")
    if animal.sex == "male":
        return Voice(animal.name, "he", "him", "his")
    return Voice(animal.name, animal.name, animal.name, own(animal.name))


def surface(kind: str) -> tuple[str, str]:
    """What covers such an animal, and what is cut into its form by hand."""
    said = set(kind.casefold().replace("-", " ").split())
    if said & _FEATHERED:
        return "feathers", "feathers, beak and eyes"
    if said & _SHELLED:
        return "shell", "shell, skin and eyes"
    if said & _SCALED:
        return "scales", "scales and eyes"
    return "coat", "coat, ears and eyes"


@dataclass(frozen=True, slots=True)
class Days:
    """Days as they are said on a page that is written now.

    Never "today": a page may be read later than it was written. A letter lies about for longer,
    so its days are `dated`: "Monday 9 November" also within the week.
    """

    calendar: Calendar
    now: int
    dated: bool = False

    @property
    def today(self) -> date:
        """The studio's day."""
        return self.calendar.day_of(self.now)

    def day(self, value: date) -> str:
        """9 November; with the year where it is another one."""
        return words.day(value, self.today)

    def at(self, moment: int) -> str:
        """Monday, within the last days; else 9 November."""
        there = self.calendar.day_of(moment)
        if self.dated:
            return f"{words.weekday(there)} {self.day(there)}"
        if 0 <= (self.today - there).days < 7:
            return words.weekday(there)
        return self.day(there)

    def about(self, moment: int) -> str:
        """Wednesday 11 November in the evening: coarse on purpose."""
        there = self.calendar.local(moment)
        part = "morning" if there.hour < 12 else "afternoon" if there.hour < 18 else "evening"
        if there.hour < 5:
            return f"in the night to {words.weekday(there.date())} {self.day(there.date())}"
        return f"{words.weekday(there.date())} {self.day(there.date())}, in the {part}"


@dataclass(frozen=True, slots=True)
class Subject:
    """One copy or several of which the same is said."""

    words: str
    plural: bool

    def __str__(self) -> str:
        return self.words

    @property
    def head(self) -> str:
        """At the head of a sentence."""
        return words.capital(self.words)

    def verb(self, one: str, many: str) -> str:
        """The verb that fits."""
        return many if self.plural else one

    @property
    def obj(self) -> str:
        """After a verb, named."""
        return "them" if self.words == "they" else self.words

    @property
    def it(self) -> str:
        """After a verb, once it has been named: it or them."""
        return "them" if self.plural else "it"

    @property
    def its(self) -> str:
        """Its or their."""
        return "their" if self.plural else "its"


def subject(copies: Sequence[CopyFacts], sisters: Sequence[CopyFacts]) -> Subject:
    """Name some of an animal's copies so that they cannot be taken for their sisters."""
    many = len(copies) > 1
    if len(sisters) == 1:
        return Subject("the piece", False)
    if len(copies) == len(sisters):
        count = "both" if len(copies) == 2 else f"all {words.count(len(copies), 'copy', 'copies')}"
        return Subject("both copies" if count == "both" else count, True)
    sizes = [copy.size_mm for copy in sisters]
    told_apart = all(copy.size_mm and sizes.count(copy.size_mm) == 1 for copy in copies)
    if told_apart:
        named = words.listed([f"{copy.size_mm} mm" for copy in copies])
        return Subject(f"the {named} {'copies' if many else 'copy'}", many)
    numbers = words.listed([str(copy.number) for copy in copies])
    return Subject(f"{'copies' if many else 'copy'} {numbers}", many)
