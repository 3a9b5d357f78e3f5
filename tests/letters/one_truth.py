"""What page, letters and ready answers say of the same order, side by side.

    PYTHONPATH=. python -m tests.letters.one_truth

A line for each state and tone: what we need of the customer and in how many of the kinds of letter
all of it stands; then, for page, letter and ready answer in this order, whether the last
day, the day for more copies and every copy that was ordered are named (+) or not (-).
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

from app.desk.answers import answers
from app.flow.steps import Step
from app.letters import previews, wording
from app.letters.letter import Part
from app.letters.rules import KINDS
from app.letters.sentences import letter_of
from app.orders.facts.order import OrderFacts
from app.status.tasks import tasks
from app.status.voice import Days
from app.status.wording import document
from tests.making import DAY, NOW
from tests.status.rows import KINDS as TONES
from tests.status.rows import LONDON, ROWS, TELLER, facts_at, sentences

DAYS = Days(LONDON, NOW)
# Of an animal that is no longer alive none of these is said, anywhere.
NEVER = re.compile(r"\bpass(es|ed)?\b(?! it on)|pieces? of|will do\b|good enough|turned out", re.I)
NOTHING = "nothing you need to do"
# One verb for several animals, or several for one.
UNEVEN = re.compile(r"\bmodels of [^.]* is\b|(?<!of )(?<!about )\b(the model|it) are\b", re.I)


@dataclass(frozen=True, slots=True)
class Told:
    """What was found of one state and tone. The triples are page, letter and ready answer."""

    state: str
    tone: str
    animals: int
    needed: int
    letters: int
    asking: int
    last_day: tuple[bool, bool, bool]
    join_until: tuple[bool, bool, bool]
    ordered: tuple[bool, bool]
    wrong: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        """Whether all of them say the same."""
        same = all(len(set(said)) == 1 for said in (self.last_day, self.join_until, self.ordered))
        return same and self.asking == self.letters and not self.wrong


def flat(text: str) -> str:
    return " ".join(text.split())


def with_another(facts: OrderFacts) -> OrderFacts:
    """The same order with a second animal that stands where the first does."""
    first = facts.animals[0]
    copies = tuple(replace(c, code=c.code.replace("-A", "-B"), letter="B") for c in first.copies)
    return replace(facts, animals=(first, replace(first, letter="B", name="Otis", copies=copies)))


def told(state: str, tone: str, animals: int = 1) -> Told:
    """Compare all that is said of an order at a state, in a tone, of one animal or of two."""
    facts = facts_at(state, tone)
    if animals == 2 and len(facts.animals) == 1:
        facts = with_another(facts)
    page = flat(" ".join(sentences(document(facts, TELLER, NOW))))
    desk = {answer.key: flat(answer.text) for answer in answers(facts, DAYS, "")}
    needed = tasks(facts, Days(LONDON, NOW, dated=True))
    written = {kind: _as_if(kind, facts) for kind in KINDS} if facts.alive else {}
    return Told(
        state,
        tone,
        len(facts.animals),
        len(needed),
        len(written),
        sum(whole for _, whole in written.values()),
        _last_day(facts, page, desk),
        _join_until(facts),
        _ordered(facts, page),
        tuple(_wrong(tone, [page, *desk.values(), *(text for text, _ in written.values())])),
    )


def _as_if(kind: str, facts: OrderFacts) -> tuple[str, bool]:
    """A letter of this kind, and whether it asks for all that the page asks for, and no less."""
    part, there = previews.as_if(kind, facts, NOW)
    text = flat(wording.words_of(letter_of([part], there, TELLER, NOW), "", None).text)
    page = flat(" ".join(sentences(document(there, TELLER, NOW))))
    needed = [task.ask for task in tasks(there, Days(LONDON, NOW, dated=True))]
    asks = all(ask in text and ask in page for ask in needed)
    # A letter is read on another day than the page.
    asks = asks and "between now" not in text
    calm = NOTHING in text or NOTHING in page
    return text, asks and not (needed and calm)


def _last_day(facts: OrderFacts, page: str, desk: dict[str, str]) -> tuple[bool, bool, bool]:
    if facts.shown is None or facts.shown.to_day is None:
        return False, False, False
    last = f" and {DAYS.day(facts.shown.to_day)}."
    letter = letter_of([Part("running_later", round=1)], facts, TELLER, NOW)
    text = flat(wording.words_of(letter, "", None).text)
    return last in page, last in text, last in desk["how_long"]


def _join_until(facts: OrderFacts) -> tuple[bool, bool, bool]:
    """Asked two days before that day, which is set when a model is assessed."""
    assessed = any(animal.passed_at is not None for animal in facts.animals)
    if not facts.alive or not facts.open or facts.left or not assessed:
        return False, False, False
    day = LONDON.day_of(NOW + 2 * DAY)
    facts = replace(facts, copy_deadline=day)
    named = f"until {DAYS.day(day)}"
    page = flat(" ".join(sentences(document(facts, TELLER, NOW))))
    desk = {answer.key: flat(answer.text) for answer in answers(facts, DAYS, "")}
    letters = tuple(one.letter for one in facts.animals if not one.cancelled)
    letter = letter_of([Part("photos_passed", letters)], facts, TELLER, NOW)
    text = flat(wording.words_of(letter, "", None).text)
    return named in page, named in text, named in desk.get("add", "")


def _ordered(facts: OrderFacts, page: str) -> tuple[bool, bool]:
    """Whether the page and the first letter name the size of each copy that is made."""
    if not facts.alive or facts.left:
        return True, True
    part, there = previews.as_if("order_in", facts, NOW)
    text = flat(wording.words_of(letter_of([part], there, TELLER, NOW), "", None).text)
    sizes = [
        f"{copy.size_mm} mm"
        for animal in facts.animals
        for copy in animal.copies
        if copy.size_mm and copy.standing.step is not Step.CANCELLED
    ]
    return all(size in page for size in sizes), all(size in text for size in sizes)


def _wrong(tone: str, said: Sequence[str]) -> Iterator[str]:
    for text in said:
        for pattern in (UNEVEN, *((NEVER,) if tone == "remembered" else ())):
            if found := pattern.search(text):
                yield found.group()


def everything() -> Iterator[Told]:
    """Every state in every tone, of one animal and of two."""
    for state, tone, animals in product(ROWS, TONES, (1, 2)):
        yield told(state, tone, animals)


def main() -> None:
    """Print the table."""
    print(f"{'state':34} {'tone':11} animals needed  letters  last day  join until  ordered")
    for one in everything():
        marks = [
            "".join("+" if said else "-" for said in triple)
            for triple in (one.last_day, one.join_until, one.ordered)
        ]
        print(
            f"{one.state:34} {one.tone:11} {one.animals:7} {one.needed:6}  "
            f"{one.asking:2} of {one.letters:2}  {marks[0]:8}  {marks[1]:10}  {marks[2]:7}"
            f"{'' if one.agrees else '  <- ' + (', '.join(one.wrong) or 'not the same')}"
        )


if __name__ == "__main__":
    main()
