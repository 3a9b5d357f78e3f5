"""What this room asks of higher ones, by arguments: facts to word letters from, and links."""

from collections.abc import Callable, Mapping, Sequence

from sqlalchemy import Connection

from app.letters.facts import LetterFacts

# The facts of many orders by their ids, read inside an open transaction.
Asked = Callable[[Connection, Sequence[int]], Mapping[int, LetterFacts]]
# An order's status link as it is now, or None where it has none.
Linked = Callable[[Connection, int], str | None]
