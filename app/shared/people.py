"""Who acts: the three roles of a studio, and a person who is signed in."""

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What somebody is here for."""

    OWNER = "owner"
    DESK = "desk"
    BENCH = "bench"


EVERYBODY = frozenset(Role)
DESK_AND_OWNER = frozenset({Role.OWNER, Role.DESK})
OWNER_ONLY = frozenset({Role.OWNER})
BENCH_AND_OWNER = frozenset({Role.OWNER, Role.BENCH})


def first_name(name: str) -> str:
    """What somebody is called for short."""
    return name.split(" ")[0]


@dataclass(frozen=True, slots=True)
class Person:
    """Who acts. The house itself (a worker) has no account and may do what the desk may."""

    account_id: int | None
    role: Role
    name: str = ""

    @property
    def first_name(self) -> str:
        """The only name of the staff that a customer ever reads."""
        return first_name(self.name)


AUTOMATIC = Person(None, Role.DESK, "Likewright")
