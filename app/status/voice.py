"""How an animal, a day and a handful of copies are spoken of. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from app.orders.facts.kinds import covered
from app.orders.facts.order import AnimalFacts, CopyFacts
from app.shared.calendar import Calendar
from app.shared.web import words

_CUT = {
    "feathers": "feathers, beak and eyes",
    "shell": "shell, skin and eyes",
    "scales": "scales and eyes",
    "coat": "coat, ears and eyes",
}


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
    cover = covered(kind)
    return cover, _CUT[cover]


@dataclass(frozen=True, slots=True)
class Days:
    """Days as they are said on a page that is written now, and again each day.

    A letter lies about for longer, so its days are `dated`: "Monday 9 November", never "today".
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

    def on(self, moment: int) -> str:
        """ "today", "on Monday" within the last days, else "on 9 November"."""
        there = self.calendar.day_of(moment)
        if there == self.today and not self.dated:
            return "today"
        return f"on {self._named(there)}"

    def since(self, moment: int) -> str:
        """ "since this morning", "since Monday" or "since 9 November"."""
        there = self.calendar.day_of(moment)
        if there == self.today and not self.dated:
            return f"since this {_part_of_day(self.calendar.local(moment).hour)}"
        return f"since {self._named(there)}"

    def _named(self, there: date) -> str:
        if self.dated:
            return f"{words.weekday(there)} {self.day(there)}"
        if 0 <= (self.today - there).days < 7:
            return words.weekday(there)
        return self.day(there)

    def about(self, moment: int) -> str:
        """ "on the evening of Wednesday 11 November": coarse on purpose."""
        there = self.calendar.local(moment)
        day = f"{words.weekday(there.date())} {self.day(there.date())}"
        if there.hour < 5:
            return f"in the small hours of {day}"
        return f"on the {_part_of_day(there.hour)} of {day}"


def _part_of_day(hour: int) -> str:
    return "morning" if hour < 12 else "afternoon" if hour < 18 else "evening"


@dataclass(frozen=True, slots=True)
class Subject:
    """One copy or several of which the same is said, and the pronouns for them."""

    words: str
    plural: bool = False
    he: str = "it"
    him: str = "it"
    his: str = "its"

    def __str__(self) -> str:
        return self.words

    @property
    def head(self) -> str:
        """At the head of a sentence."""
        return words.capital(self.words)

    @property
    def again(self) -> "Subject":
        """The same, once they have been named."""
        return Subject(self.he, self.plural, self.he, self.him, self.his)

    def verb(self, one: str, many: str) -> str:
        """The verb that fits."""
        return many if self.plural else one

    @property
    def obj(self) -> str:
        """After a verb, named."""
        return self.him if self.words == self.he else self.words


def several(named: str) -> Subject:
    """Copies of which the same is said."""
    return Subject(named, True, "they", "them", "their")


def likeness(animal: AnimalFacts) -> Subject:
    """What is made of an animal: called by its name, unless the animal is no longer alive."""
    if animal.remembered:
        return Subject(f"the likeness of {animal.name}")
    one = voice(animal)
    return Subject(one.name, False, one.he, one.him, one.his)


def likenesses(animals: Sequence[AnimalFacts]) -> str:
    """Juniper, Otis and the likeness of Fern."""
    living = [animal.name for animal in animals if not animal.remembered]
    gone = [animal.name for animal in animals if animal.remembered]
    one = "likeness" if len(gone) == 1 else "likenesses"
    return words.listed([*living, *([f"the {one} of {words.listed(gone)}"] if gone else [])])


def whole(copy: CopyFacts, animal: AnimalFacts) -> Subject:
    """A copy by whom it shows: Juniper, or Bracken and Thistle where they stand on one base."""
    if not copy.beside:
        return likeness(animal)
    return several(likenesses((animal, *copy.beside)))


def subject(copies: Sequence[CopyFacts], animal: AnimalFacts) -> Subject:
    """Name some of an animal's copies so that they cannot be taken for their sisters."""
    # Beside one that was cancelled, the sisters are all that were ordered.
    sisters = animal.made if all(copy in animal.made for copy in copies) else animal.copies
    if len(sisters) == 1:
        return whole(sisters[0], animal)
    if len(copies) == 1 and copies[0].beside and sum(bool(one.beside) for one in sisters) == 1:
        return whole(copies[0], animal)
    if len(copies) == len(sisters):
        count = words.count(len(copies), "copy", "copies")
        return several("both copies" if len(copies) == 2 else f"all {count}")
    sizes = [copy.size_mm for copy in sisters]
    if all(copy.size_mm and sizes.count(copy.size_mm) == 1 for copy in copies):
        named = words.listed([f"{copy.size_mm} mm" for copy in copies])
        return several(f"the {named} copies") if len(copies) > 1 else Subject(f"the {named} copy")
    numbers = words.listed([str(copy.number) for copy in copies])
    return several(f"copies {numbers}") if len(copies) > 1 else Subject(f"copy {numbers}")


def named(animal: AnimalFacts, copies: Sequence[CopyFacts]) -> Subject:
    """Some of an animal's copies, named beside another animal's: Juniper, copy 2 of Otis."""
    if not copies or animal.cancelled or set(copies) >= set(animal.made):
        return whole(copies[0], animal) if len(copies) == 1 else likeness(animal)
    them = subject(copies, animal)
    if copies[0].beside and them.words == whole(copies[0], animal).words:
        return them
    return replace(them, words=f"{them} of {animal.name}")
