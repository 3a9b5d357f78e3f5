"""Page, letters and ready answers say the same of an order, in every state, tone and number."""

from itertools import product

import pytest

from tests.letters.one_truth import told
from tests.status.rows import KINDS, ROWS, facts_at


@pytest.mark.parametrize(("state", "tone", "animals"), list(product(ROWS, KINDS, (1, 2))))
def test_page_letters_and_ready_answer_agree(state: str, tone: str, animals: int) -> None:
    found = told(state, tone, animals)
    assert found.agrees, found
    facts = facts_at(state, tone)
    named = facts.shown is not None and facts.shown.to_day is not None
    assert all(found.last_day) == (named and facts.open and not facts.left)
