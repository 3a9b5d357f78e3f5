"""What the customer sees and approves before the work goes on, in words. Pure."""

from collections.abc import Collection, Iterable

from app.flow.approvals.rules import BEFORE, MODEL_APPROVAL, PAINT_APPROVAL
from app.orders.facts.order import AnimalFacts, OrderFacts
from app.status.document import Block
from app.status.voice import own

_SHOWN = {
    MODEL_APPROVAL: "of the model before we make anything from it",
    PAINT_APPROVAL: "of the painting before our last checks",
}
REMINDER = (
    "We sent you pictures to look at, and your answer hasn’t reached us yet. The pictures are "
    "still on your page. You can simply reply to this email."
)
_SEEN = {MODEL_APPROVAL: "the model", PAINT_APPROVAL: "the painting"}


def shown_first(facts: OrderFacts) -> str:
    """What we will show before we go on; empty where nothing is to be approved any more."""
    asked = {question.topic for question in facts.questions}
    said = _of(_SHOWN, facts.to_approve - asked)
    if not said:
        return ""
    each = "Each time, we" if len(said) > 1 else "We"
    return f"We’ll send you pictures {', and '.join(said)}. {each}’ll go on once you’ve said yes."


def dates_count_on_it(facts: OrderFacts) -> Iterable[Block]:
    """That the dates count on a yes which the customer has yet to give."""
    if seen := _of(_SEEN, facts.to_approve):
        what = " and to ".join(seen)
        said = f"The dates count on your yes to {what}. If you’d like a change, they’ll move."
        yield Block("quiet", (said,))


def asked_otherwise(animal: AnimalFacts, facts: OrderFacts) -> Iterable[Block]:
    """What the customer wants otherwise of an animal, and that we’ll show it again."""
    topics = {question.topic for question in facts.to_redo if question.letter == animal.letter}
    for topic in sorted(topics):
        what = {
            MODEL_APPROVAL: f"{own(animal.name)} model",
            PAINT_APPROVAL: f"the painting of {animal.name}",
        }[topic]
        said = f"You’d like {what} changed. We’ll do that, and send you new pictures"
        yield Block("text", (f"{said} before we go on.",))


def attached(facts: OrderFacts, question: int) -> str:
    """That pictures go with a question in a letter; empty where none do."""
    its = (one for one in facts.questions if one.id == question)
    return "The pictures are attached." if any(one.topic in BEFORE for one in its) else ""


def _of(said: dict[str, str], topics: Collection[str]) -> list[str]:
    return [words for topic, words in said.items() if topic in topics]
