"""Passwords as Argon2id hashes. Only two are computed at a time: each takes 19 MiB."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from app.shared.errors import TooBusy
from app.staff.rules import LONGEST_PASSWORD, MINUTE, MOST_A_MINUTE, MOST_AT_ONCE

# OWASP Password Storage Cheat Sheet: Argon2id with 19 MiB, two passes, one lane.
_HASHER = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1, hash_len=32, salt_len=16)
_AT_ONCE = threading.BoundedSemaphore(2)


class Turns:
    """Who may have a password looked at: few at once, and not too many a minute.

    Whoever comes beyond is refused before a thread is taken, so that pages keep theirs. To be
    asked on the event loop alone.
    """

    def __init__(self) -> None:
        self._inside, self._minute, self._begun = 0, 0, 0

    @contextmanager
    def one(self, now: int) -> Iterator[None]:
        """A turn, from now on or not at all. Raises TooBusy."""
        if now // MINUTE != self._minute:
            self._minute, self._begun = now // MINUTE, 0
        if self._inside >= MOST_AT_ONCE or self._begun >= MOST_A_MINUTE:
            wait = 5 if self._begun < MOST_A_MINUTE else MINUTE - now % MINUTE
            raise TooBusy(
                "Many people are signing in right now. Try again in a moment: whoever is signed in "
                "already can go on.",
                wait,
            )
        self._begun += 1
        self._inside += 1
        try:
            yield
        finally:
            self._inside -= 1


def make(password: str) -> str:
    """The hash to keep."""
    with _AT_ONCE:
        return _HASHER.hash(_bytes(password))


def fits(kept: str | None, password: str) -> bool:
    """Whether a password fits a kept hash.

    Without a hash (no such account, or none set) it works as long and says no, so that the time
    of the answer does not tell which names exist.
    """
    if len(password) > LONGEST_PASSWORD:
        kept, password = None, ""
    with _AT_ONCE:
        try:
            return _HASHER.verify(kept or _nobody(), _bytes(password)) and bool(kept)
        except (VerificationError, InvalidHashError):
            return False


def is_outdated(kept: str) -> bool:
    """Whether a hash was made with other costs than today's."""
    return _HASHER.check_needs_rehash(kept)


def _bytes(password: str) -> bytes:
    # Exactly as typed: not trimmed, not normalised, and nothing that cannot be encoded.
    return password.encode("utf-8", "surrogatepass")


@cache
def _nobody() -> str:
    return _HASHER.hash("nobody's password")
