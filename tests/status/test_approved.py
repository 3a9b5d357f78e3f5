"""What customers read is what somebody approved, and holds none of the words that they never read."""

import difflib
import re

from tests.status.customers import APPROVED, compose

SHOP_WORDS = re.compile(
    r"\b(blanks?|at the blank|set aside|in hand|rests|resting|passes|will do|by eye|runs? waits|"
    r"mark by mark|photographs|pictures? count|mail\b(?! address))\b",
    re.IGNORECASE,
)
# Of an animal that is no longer alive none of these is said.
MOURNING = re.compile(
    r"\bpass(es|ed)?\b|pieces? of\b|will do\b|good enough|turned? out|how did|looking forward|"
    r"new pet|enjoy",
    re.IGNORECASE,
)


def test_customers_read_what_was_approved() -> None:
    approved = APPROVED.read_text(encoding="utf-8").splitlines()
    found = list(
        difflib.unified_diff(approved, compose().splitlines(), "approved", "composed", n=1)
    )
    assert not found, "\n".join(
        [
            "Customers would read something else than was approved:",
            *found,
            "Read it as a customer would. If it is right: python -m tests.status.approve",
        ]
    )


def lines_under(tone: str) -> list[str]:
    tones = re.split(r"(?m)^# (\w+)\n", APPROVED.read_text(encoding="utf-8"))
    return [line for line in tones[tones.index(tone) + 1].splitlines() if not line.startswith("#")]


def test_no_customer_reads_a_word_of_the_shop() -> None:
    said = [line for tone in ("plain", "gift", "remembered") for line in lines_under(tone)]
    assert len(said) > 500
    assert [line for line in said if SHOP_WORDS.search(line)] == []


def test_nothing_that_hurts_is_said_of_the_remembered() -> None:
    said = lines_under("remembered")
    assert len(said) > 200
    assert [line for line in said if MOURNING.search(line)] == []
