"""The few kinds of column there are. Tables are STRICT: SQLite itself refuses a wrong type.

Moments are whole UTC seconds, days are ISO text (2026-11-25), flags are 0 or 1.
"""

from typing import Any

from sqlalchemy import CheckConstraint, Integer, Text
from sqlmodel import Field

STRICT = {"sqlite_strict": True}


def key() -> Any:
    """The running number of a row."""
    return Field(default=None, primary_key=True, sa_type=Integer)


def text(default: str | None = "") -> Any:
    """Text that is always there, if only as an empty string."""
    return Field(default=default, sa_type=Text, nullable=False)


def text_or_none(**more: Any) -> Any:
    """Text that may be missing."""
    return Field(default=None, sa_type=Text, nullable=True, **more)


def whole(default: int | None = 0) -> Any:
    """A whole number; also moments (UTC seconds) and flags (0 or 1)."""
    return Field(default=default, sa_type=Integer, nullable=False)


def whole_or_none() -> Any:
    """A whole number that may be missing."""
    return Field(default=None, sa_type=Integer, nullable=True)


# The same column, where the number is a moment.
moment_or_none = whole_or_none


def to(column: str, *, index: bool = False) -> Any:
    """A reference to a row of another table."""
    return Field(foreign_key=column, sa_type=Integer, nullable=False, index=index)


def to_or_none(column: str, *, index: bool = False) -> Any:
    """A reference that may be missing."""
    return Field(default=None, foreign_key=column, sa_type=Integer, nullable=True, index=index)


def one_of(column: str, *words: str) -> CheckConstraint:
    """A column that holds one of a few words."""
    listed = ", ".join(f"'{word}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=f"{column}_known")


def flag(column: str) -> CheckConstraint:
    """A column that holds 0 or 1."""
    return CheckConstraint(f"{column} IN (0, 1)", name=f"{column}_flag")
