"""Ready texts for what customers ask every day, from the order's facts, in its tone. Pure.

They are written to be copied into an answer: short, plain, and no more certain than the page.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from app.flow.steps import Step
from app.orders.facts.order import AnimalFacts, OrderFacts, joining
from app.shared.web import words
from app.status import piece_words, range_words
from app.status.document import Block
from app.status.photo_words import until_passed
from app.status.voice import Days, own


@dataclass(frozen=True, slots=True)
class Answer:
    """A question as customers put it, and a text that answers it."""

    key: str
    question: str
    text: str


@dataclass(frozen=True, slots=True)
class _Asked:
    facts: OrderFacts
    days: Days
    link: str


def answers(facts: OrderFacts, days: Days, link: str) -> list[Answer]:
    """Every ready text for an order; `link` is its status link, or empty."""
    asked = _Asked(facts, days, link)
    given: Sequence[tuple[str, str, Callable[[_Asked], str]]] = (
        ("arrived", "Did my pictures arrive?", _arrived),
        ("usable", "Can you work from them?", _usable),
        ("how_long", "How long will it take?", _how_long),
        ("add", "May I add one more?", _add),
        ("by_a_day", "Can it be there by a day?", _by_a_day),
        ("change", "May I change something?", _change),
        ("parcel", "Where is the parcel?", _parcel),
    )
    return [Answer(key, question, _letter(asked, say(asked))) for key, question, say in given]


def _letter(asked: _Asked, body: str) -> str:
    """The body with its greeting, and the way to the page."""
    name = asked.facts.address_as
    hello = f"Hello {name}," if name else "Hello,"
    page = f"\n\nYour page always has the latest: {asked.link}" if asked.link else ""
    return f"{hello}\n\n{body}{page}"


def _animal_by_animal(facts: OrderFacts, say: Callable[[AnimalFacts], str], nothing: str) -> str:
    said = [text for animal in facts.alive if (text := say(animal))]
    return " ".join(said) or nothing


def _arrived(asked: _Asked) -> str:
    def say(animal: AnimalFacts) -> str:
        whose = f"{own(animal.name)} pictures"
        if animal.counted_at is not None and animal.model.step is not Step.PHOTOS_WANTED:
            many = f"{animal.pictures} of them" if animal.pictures else "all of them"
            return f"{whose} are safely here since {asked.days.at(animal.counted_at)}: {many}."
        if animal.told_at is not None:
            return (
                f"You told us of {whose} on {asked.days.at(animal.told_at)}; we have not counted "
                "them here yet and write as soon as we have."
            )
        if animal.views:
            return f"{whose} are here; the further views that we asked for are not yet."
        return f"{whose} have not reached us yet. If you have sent them, tell us by which way."

    return _animal_by_animal(asked.facts, say, "Nothing is wanted from you.")


def _usable(asked: _Asked) -> str:
    def say(animal: AnimalFacts) -> str:
        whose = f"{own(animal.name)} pictures"
        if animal.passed:
            good = f"Yes: {whose} are good to work from."
            if not animal.limits:
                return good
            by_eye = words.with_said("What they do not show we judge by eye", animal.limits)
            return f"{good} {by_eye}"
        if animal.views:
            listed = "\n".join(f"{view.number}. {view.wish}" for view in animal.views)
            return (
                f"Nearly. To match {animal.name} we need these views as well, free of charge; "
                f"everything else is kept:\n{listed}\n"
            )
        if animal.model.step in (Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING):
            return (
                f"We know for {animal.name} when the model has been built from them, which takes "
                "a machine hours to more than a day. We write either way."
            )
        return (
            f"We can say so for {animal.name} once the pictures are here and a model has been "
            "built from them."
        )

    return _animal_by_animal(asked.facts, say, "There is nothing to judge any more.")


def _how_long(asked: _Asked) -> str:
    facts = asked.facts
    if facts.left:
        return "It has left us already. " + _parcel(asked)
    blocks = list(range_words.when(facts, asked.days))
    where = " ".join(_where(animal, asked) for animal in facts.alive)
    return f"{where} {_text(blocks)}".strip()


def _where(animal: AnimalFacts, asked: _Asked) -> str:
    """Where an animal is, in one sentence of the status page."""
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
    names = [animal.name for animal in joining(facts, asked.days.today)]
    if names:
        until = f" until {asked.days.day(facts.copy_deadline)}" if facts.copy_deadline else ""
        return (
            f"Yes. Until the model is finished, one more copy of {words.listed(names)} can join "
            f"and ship with the rest{until}. Tell us the size, the pose and what is to stand on "
            "the base, letter by letter."
        )
    return (
        "Yes, as an order of its own: the model is kept, so no new pictures are needed and the "
        "copy begins at the blank. It ships by itself."
    )


def _by_a_day(asked: _Asked) -> str:
    facts = asked.facts
    when = _text(list(range_words.when(facts, asked.days))) if not facts.left else _parcel(asked)
    if facts.needed_by is not None:
        return f"We have noted that you need it by {asked.days.day(facts.needed_by)}. {when}"
    return (
        f"{when} Tell us the day, and what it is for: then we look at it each morning, and say "
        "so at once if it cannot be."
    )


def _change(asked: _Asked) -> str:
    facts = asked.facts
    open_steps = {copy.step for copy in facts.copies}
    early = open_steps <= {Step.NOT_BEGUN, Step.BLANK}
    if facts.left:
        return "It has left us, so nothing can be changed on it any more."
    if early:
        return (
            "Yes. Size, pose, base and inscription can all be changed until the hands begin. "
            "Write it to us as it should be; an inscription letter by letter."
        )
    return (
        "The hands have begun, so size and pose stand. Base, inscription and address may still "
        "go: write to us how it should be, and we tell you at once whether it does."
    )


def _parcel(asked: _Asked) -> str:
    facts = asked.facts
    said: list[str] = []
    for parcel in facts.parcels:
        number = f", number {parcel.number}" if parcel.number else ""
        day = asked.days.at(parcel.sent_at)
        if parcel.received_at is not None:
            said.append(f"The parcel of {day} has arrived.")
        elif parcel.way == "carrier":
            said.append(f"It left us on {day} with {parcel.carrier}{number}.")
        else:
            said.append(f"It left us on {day}.")
    if not facts.left:
        said.append("Not everything is packed yet." if said else "Nothing has left us yet.")
    return " ".join(said)
