"""Ready texts for what customers ask every day, from the order's facts, in its tone. Pure.

They are written to be copied into an answer: short, plain, and no more certain than the page.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from app.flow.steps import Step
from app.orders.facts.order import AnimalFacts, OrderFacts, joining
from app.status import piece_words, range_words
from app.status.document import Block
from app.status.photo_words import more_views, until_passed
from app.status.voice import Days, own
from app.status.wording import more_copies


@dataclass(frozen=True, slots=True)
class ReadyText:
    """A question as customers put it, and a text that answers it."""

    key: str
    question: str
    text: str


@dataclass(frozen=True, slots=True)
class _Asked:
    facts: OrderFacts
    days: Days
    link: str


def answers(facts: OrderFacts, days: Days, link: str) -> list[ReadyText]:
    """Every ready text for an order; `link` is its status link, or empty."""
    asked = _Asked(facts, days, link)
    given: Sequence[tuple[str, str, Callable[[_Asked], str]]] = (
        ("arrived", "Did my photos arrive?", _arrived),
        ("usable", "Can you work from my photos?", _usable),
        ("how_long", "How long will it take?", _how_long),
        ("add", "May I add one more?", _add),
        ("by_a_day", "Can it be there by a day?", _by_a_day),
        ("change", "May I change something?", _change),
        ("parcel", "Where is the parcel?", _parcel),
    )
    return [ReadyText(key, question, _letter(asked, say(asked))) for key, question, say in given]


def _letter(asked: _Asked, body: str) -> str:
    """The body with its greeting, and the way to the page."""
    name = asked.facts.address_as
    hello = f"Hello {name}," if name else "Hello,"
    page = f"\n\nYou’ll always find the latest on your page: {asked.link}" if asked.link else ""
    return f"{hello}\n\n{body}{page}"


def _animal_by_animal(facts: OrderFacts, say: Callable[[AnimalFacts], str], nothing: str) -> str:
    said = [text for animal in facts.alive if (text := say(animal))]
    return " ".join(said) or nothing


def _arrived(asked: _Asked) -> str:
    def say(animal: AnimalFacts) -> str:
        whose = f"{own(animal.name)} photos"
        if animal.counted_at is not None and animal.model.step is not Step.PHOTOS_WANTED:
            many = f"all {animal.pictures} of them" if animal.pictures else "all of them"
            return (
                f"Yes, {whose} are here, {many}. We counted them in "
                f"{asked.days.on(animal.counted_at)}."
            )
        if animal.told_at is not None:
            return (
                f"You told us about {whose} {asked.days.on(animal.told_at)}. We haven’t counted "
                "them in yet, and will write as soon as we have."
            )
        if animal.views:
            return f"{whose} are here, but the extra views we asked for aren’t yet."
        if animal.passed:
            return ""
        return f"{whose} haven’t reached us yet. If you’ve sent them, tell us how."

    return _animal_by_animal(asked.facts, say, "We don’t need any photos from you.")


def _usable(asked: _Asked) -> str:
    def say(animal: AnimalFacts) -> str:
        whose = f"{own(animal.name)} photos"
        if animal.passed:
            if animal.passed_at is not None:
                good = piece_words.passed(animal, asked.facts, asked.days)
            else:
                good = f"Yes, {whose} are good to work from."
            return " ".join(filter(None, (good, piece_words.gaps(animal))))
        if animal.views:
            return "\n".join(_listed(block) for block in more_views(animal))
        if animal.model.step in (Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING):
            return (
                f"We’ll know for {animal.name} once a machine has built a model from the photos, "
                "which takes anything from hours to more than a day. We’ll write either way."
            )
        return f"We can tell for {animal.name} once the photos are here and we’ve looked at them."

    return _animal_by_animal(asked.facts, say, "There’s nothing left to look at.")


def _listed(block: Block) -> str:
    if block.kind != "steps":
        return "\n".join(block.lines)
    return "\n".join(f"{number}. {line}" for number, line in enumerate(block.lines, 1))


def _how_long(asked: _Asked) -> str:
    facts = asked.facts
    if facts.left:
        return _parcel(asked)
    blocks = list(range_words.when(facts, asked.days))
    where = " ".join(_where(animal, asked) for animal in facts.alive)
    return f"{where} {_text(blocks)}".strip()


def _where(animal: AnimalFacts, asked: _Asked) -> str:
    """Where an animal is, in one sentence of the status page."""
    if animal.wanted and animal.attempts:
        return f"We’re still waiting for more views of {animal.name}."
    if not animal.passed:
        return _text(until_passed(animal, asked.days)[:1])
    if animal.model.step is Step.FINISHING:
        return _text(piece_words.finishing(animal, asked.facts, asked.days, True)[:1])
    return _text(piece_words.making(animal, asked.facts, asked.days, False)[:1])


def _text(blocks: Sequence[Block]) -> str:
    parts = ["".join(b.lines) if b.kind == "range" else " ".join(b.lines) for b in blocks]
    return " ".join(part for part in parts if part)


def _add(asked: _Asked) -> str:
    facts = asked.facts
    open_models = joining(facts, asked.days.today)
    if open_models:
        return f"Yes. {more_copies(open_models, facts, asked.days)}"
    return (
        "Yes, as an order of its own. We keep the model, so you won’t need to send new photos. It "
        "travels separately."
    )


def _by_a_day(asked: _Asked) -> str:
    facts = asked.facts
    when = _text(list(range_words.when(facts, asked.days))) if not facts.left else _parcel(asked)
    if facts.left or facts.needed_by is not None:
        return when
    return (
        f"{when} Tell us the day, and what it’s for. We’ll look at it each morning, and tell you "
        "at once if we can’t make it."
    )


def _change(asked: _Asked) -> str:
    facts = asked.facts
    open_steps = {copy.step for copy in facts.copies}
    if facts.left:
        return "Your order has left the workshop, so we can’t change anything now."
    if open_steps <= {Step.NOT_BEGUN, Step.BLANK}:
        return (
            "Yes. You can change the size, pose, base and inscription until we start shaping by "
            "hand. Write and tell us how it should be; an inscription letter by letter, please."
        )
    return (
        "We’ve started the work by hand, so we can’t change the size or the pose any more. We may "
        "still be able to change the base, the inscription or the address: write and tell us how "
        "it should be, and we’ll tell you straight away."
    )


def _parcel(asked: _Asked) -> str:
    facts = asked.facts
    said: list[str] = []
    for parcel in facts.parcels:
        number = f", and its number is {parcel.number}" if parcel.number else ""
        day = asked.days.on(parcel.sent_at)
        if parcel.received_at is not None:
            said.append(f"The parcel that left us {day} has arrived.")
        elif parcel.way == "carrier":
            said.append(f"The parcel left us {day} with {parcel.carrier}{number}.")
        else:
            said.append(f"The parcel left us {day}.")
    if not facts.left:
        rest = "The rest of your order hasn’t left the workshop yet."
        said.append(rest if said else "Your order hasn’t left the workshop yet.")
    return " ".join(said)
