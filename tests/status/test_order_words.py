"""What was ordered is said back in the same words on the page and in the first letter."""

from datetime import date

import pytest

from app.flow.steps import Step
from app.letters.letter import Part
from app.letters.sentences import letter_of
from app.orders.facts.order import OrderFacts
from app.status.wording import document
from tests.making import NOW
from tests.status.rows import NOT_BEGUN, TELLER, animal, copy, in_tone, order

TWO = order(
    animal(Step.PHOTOS_WANTED, copies=NOT_BEGUN),
    animal(
        Step.PHOTOS_WANTED, letter="B", name="Otis", kind="tortoise",
        copies=(
            copy(
                Step.NOT_BEGUN, letter="B", size_mm=110, measured="length", scale="about 1 : 3",
                pose="", base="none", finish="matt", extras="a lettuce leaf", inscription="OTIS",
                spelling_confirmed=False,
            ),
        ),
    ),
    needed_by=date(2026, 5, 3),
)  # fmt: skip


def listed(facts: OrderFacts, *, in_letter: bool) -> list[str]:
    if in_letter:
        sections = letter_of([Part("order_in")], facts, TELLER, NOW).sections
    else:
        sections = document(facts, TELLER, NOW).sections
    [found] = [section for section in sections if section.heading == "What you ordered"]
    return [line for block in found.blocks for line in block.lines]


@pytest.mark.parametrize("tone", ["plain", "gift", "remembered"])
def test_page_and_first_letter_list_all_of_it_alike(tone: str) -> None:
    facts = in_tone(TWO, tone)
    assert listed(facts, in_letter=True) == listed(facts, in_letter=False) == [
        "Juniper, copy 1: 80 mm, standing, oak base.",
        "Juniper, copy 2: 100 mm, standing, oak base.",
        "Otis: 110 mm long (about 1 : 3), without a base, matt, with a lettuce leaf. "
        "Inscription: “OTIS”, spelling not yet confirmed.",
        "Needed by 3 May.",
    ]  # fmt: skip
