"""Passwords as Argon2id hashes. Only a few are computed at a time: each takes 19 MiB."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from app.shared.errors import Refused
from app.staff.rules import LONGEST_PASSWORD

# OWASP Password Storage Cheat Sheet: Argon2id with 19 MiB, two passes, one lane.
_HASHER = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1, hash_len=32, salt_len=16)
_AT_ONCE = threading.BoundedSemaphore(2)
_LONGEST_WAIT = 5.0


class TooBusy(Refused):
    """More sign-ins at once than the machine takes."""


def make(password: str) -> str:
    """The hash to keep. Raises TooBusy."""
    with _turn():
        return _HASHER.hash(_bytes(password))


def fits(kept: str | None, password: str) -> bool:
    """Whether a password fits a kept hash. Raises TooBusy.

    Without a hash (no such account, or none set) it works as long and says no, so that the time
    of the answer does not tell which names exist.
    """
    if len(password) > LONGEST_PASSWORD:
        kept, password = None, ""
    with _turn():
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


@contextmanager
def _turn() -> Iterator[None]:
    if not _AT_ONCE.acquire(timeout=_LONGEST_WAIT):
        raise TooBusy("Many people are signing in just now. Try again in a moment.")
    try:
        yield
    finally:
        _AT_ONCE.release()
