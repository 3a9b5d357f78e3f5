"""What the customer needs to do: the same tasks on the page and in a letter. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass

from app.flow.steps import Step
from app.orders.facts.order import AnimalFacts, CopyFacts, OrderFacts, QuestionFacts
from app.shared.web import words
from app.status.document import Block
from app.status.voice import Days

_TOPICS = {
    "spelling": "the spelling of the inscription",
    "colour": "a colour",
    "address": "where to send the parcel",
    "customs": "the customs papers",
    "approval": "the pictures we sent you to look at",
    "model approval": "the pictures of the model on your page",
    "paint approval": "the pictures of the painting on your page",
    "photos": "the photos",
    "pose": "the pose",
    "size": "the size",
    "limits": "what the photos don’t show",
    "sending in parts": "sending your order in parts",
}
_WAYS = {
    "letter": "by email", "mail": "by email", "phone": "on the phone", "shop": "in the shop",
    "in_person": "in person",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Task:
    """Something that the customer needs to do: the request, what belongs to it, and what only the
    page adds (a letter does not speak of itself, and has nothing below it). What is asked `gently`
    is asked of somebody who has lost the animal: nothing reminds of it but a person."""

    ask: str
    more: str = ""
    on_page: str = ""
    gently: bool = False

    def said(self, *, by_letter: bool = False) -> str:
        """The task in one paragraph."""
        return " ".join(filter(None, (self.ask, "" if by_letter else self.on_page, self.more)))


def tasks(facts: OrderFacts, days: Days) -> list[Task]:
    """Everything that we need from the customer, what stops the work first."""
    if not facts.alive or facts.waits is not None:
        return []
    return [
        *payment(facts),
        *(_question(asked, facts, days) for asked in facts.questions if asked.unpaid is None),
        *_photographs(facts),
        *_spelling(facts),
    ]


def in_letter(found: list[Task]) -> tuple[Block, ...]:
    """The tasks as a letter repeats them; nothing where there are none."""
    if not found:
        return ()
    if len(found) == 1:
        return (Block("text", (found[0].said(by_letter=True),)),)
    return (Block("points", tuple(task.said(by_letter=True) for task in found)),)


def asks_about(question: QuestionFacts, copy: CopyFacts) -> bool:
    """Whether a question concerns a copy: an animal of it, or the whole order."""
    return question.letter in ("", copy.letter, *copy.letters_beside)


def _question(question: QuestionFacts, facts: OrderFacts, days: Days) -> Task:
    topic = question.topic.strip().casefold()
    animal = next((a for a in facts.animals if a.letter == question.letter), None)
    whose = f", for {animal.name}" if animal is not None and len(facts.animals) > 1 else ""
    lead = f"Please answer our question about {_TOPICS.get(topic, 'your order')}{whose}"
    if question.asked_at is None:
        how = "" if question.stopped else "We’re writing to you about it."
    else:
        way = _WAYS.get(question.channel, "")
        how = " ".join(filter(None, ("We asked", way, f"{days.on(question.asked_at)}.")))
    more = ["The work is waiting for your answer."] if question.blocking else []
    unread = [copy for copy in _unread(facts) if topic == "spelling" and asks_about(question, copy)]
    if unread:
        more.append(f"So far the inscription reads {_inscriptions(unread)}.")
    asked = " ".join(question.asked.split())
    return Task(f"{lead}: “{asked}”" if asked else f"{lead}.", " ".join(more), how)


def payment(facts: OrderFacts) -> Iterable[Task]:
    """What has to be paid before work starts, or, where that was taken back, before it goes on."""
    if facts.unpaid is None:
        return
    waiting = (Step.PHOTOS_WANTED, Step.PHOTOS_IN, Step.READY, Step.NOT_BEGUN, Step.BLANK)
    pieces = (*(copy.standing for copy in facts.copies), *(a.model for a in facts.alive))
    go = "start" if all(standing.step in waiting for standing in pieces) else "carry on"
    yield Task(f"We need {facts.unpaid.called} for your order.", f"We’ll {go} as soon as it’s in.")


def starts(facts: OrderFacts) -> str:
    """When work on photos that are wanted starts."""
    if facts.unpaid is None:
        return "on the day they’re here"
    return f"once they’re here and {facts.unpaid.called} is in"


def _photographs(facts: OrderFacts) -> Iterable[Task]:
    wanted = [animal for animal in facts.alive if animal.wanted]
    first = first_wanted(facts)
    living = [animal.name for animal in first if not animal.remembered]
    if living:
        yield Task(
            f"Please send us photos of {words.listed(living)}.",
            on_page="Further down we explain how many, from which sides, and how to send them.",
        )
    for animal in first:
        if animal.remembered:
            yield Task(
                f"Please send us the photos you have of {animal.name}.",
                "There’s no hurry.",
                gently=True,
            )
    for animal in wanted:
        if animal.attempts and animal.remembered:
            yield Task(
                f"Please see whether you have other photos of {animal.name}.",
                "If you have none, a word from you is enough.",
                "The ones that would help are listed below.",
                gently=True,
            )
        elif animal.attempts:
            # A line may ask for a whole round: lines are numbered, not counted as views.
            yield Task(
                f"Please send us more views of {animal.name}.",
                "They don’t cost anything extra.",
                "The list is below.",
            )


def first_wanted(facts: OrderFacts) -> list[AnimalFacts]:
    """The animals of which a first set of photographs is wanted."""
    return [animal for animal in facts.alive if animal.wanted and not animal.attempts]


def _spelling(facts: OrderFacts) -> Iterable[Task]:
    spelling = [q for q in facts.questions if q.topic.strip().casefold() == "spelling"]
    # A question about the spelling asks for the same: it is one task.
    unread = [copy for copy in _unread(facts) if not any(asks_about(q, copy) for q in spelling)]
    if unread:
        several = len({copy.inscription for copy in unread}) > 1
        what, right = (
            ("inscriptions", "they’re right, or how they")
            if several
            else ("inscription", "it’s right, or how it")
        )
        yield Task(
            f"Please check the {what} letter by letter: {_inscriptions(unread)}.",
            f"Tell us if {right} should read.",
        )


def _unread(facts: OrderFacts) -> list[CopyFacts]:
    return [copy for copy in facts.copies if not copy.spelling_confirmed and not copy.gone]


def _inscriptions(copies: Iterable[CopyFacts]) -> str:
    return words.listed(list(dict.fromkeys(f"“{copy.inscription}”" for copy in copies)))
