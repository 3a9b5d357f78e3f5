"""The order said back: what was ordered, on the page and in the first letter alike. Pure."""

from collections.abc import Iterator

from app.orders.facts.order import AnimalFacts, CopyFacts, OrderFacts
from app.status.approval_words import shown_first
from app.status.document import Block
from app.status.piece_words import described
from app.status.together import on_a_base
from app.status.voice import Days


def said_back(facts: OrderFacts, days: Days) -> list[Block]:
    """A line for each copy, the day by which it is needed, and what the customer is shown first;
    nothing where none is made."""
    lines = list(_copies(facts))
    if lines and facts.needed_by is not None:
        lines.append(f"Needed by {days.day(facts.needed_by)}.")
    if lines and (shown := shown_first(facts)):
        lines.append(shown)
    return [Block("points", tuple(lines))] if lines else []


def _copies(facts: OrderFacts) -> Iterator[str]:
    for animal in facts.alive:
        for copy in animal.made:
            yield f"{called(animal, copy)}: {described(copy)}"


def called(animal: AnimalFacts, copy: CopyFacts) -> str:
    """A copy as it is listed: Juniper, or, where there are several, Juniper, copy 2."""
    name = on_a_base(copy, animal)
    return f"{name}, copy {copy.number}" if len(animal.made) > 1 else name
