"""Answers kept for a minute: for sentences on every page that cost a look at the disk."""

from collections.abc import Callable
from functools import wraps
from weakref import WeakKeyDictionary

from app.studio.workshop import Workshop

SECONDS = 60
Look = Callable[[Workshop], str | None]


def cached_a_minute(look: Look) -> Look:
    """The same answer for a minute, then another look."""
    known: WeakKeyDictionary[Workshop, tuple[int, str | None]] = WeakKeyDictionary()

    @wraps(look)
    def answer(workshop: Workshop) -> str | None:
        now = workshop.now()
        found = known.get(workshop)
        if found is None or not 0 <= now - found[0] < SECONDS:
            found = known[workshop] = (now, look(workshop))
        return found[1]

    return answer
