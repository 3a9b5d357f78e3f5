"""The kinds of field that forms have. A table model accepts anything, so forms have their own."""

import re
from collections.abc import Callable, Container
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from app.shared import text

_MAIL = re.compile(r"^[^\s@<>()\[\]\\,;:\"]+@[^\s@<>()\[\]\\,;:\"]+\.[^\s@<>()\[\]\\,;:\".]{2,}$")
_LOCAL, _DOMAIN, _PATH = 64, 255, 254
FIRST_YEAR, LAST_YEAR = 1900, 2200


class Fields(BaseModel):
    """What a form sends. Unknown fields are ignored, never taken over."""

    # A field that was not sent at all is looked at like one that was sent empty. The checks are
    # put together when a form first comes: a start needs none of them.
    model_config = ConfigDict(
        extra="ignore", frozen=True, str_strip_whitespace=False, validate_default=True,
        defer_build=True,
    )  # fmt: skip


def _clean(longest: int, lines: bool) -> Callable[[str], str]:
    def clean(value: str) -> str:
        tidy = text.tidy(value, lines=lines)
        if (wrong := text.problem(tidy, longest, lines=lines)) is not None:
            raise ValueError(wrong)
        return tidy

    return clean


def _filled(value: str) -> str:
    if not value:
        raise ValueError("This has to be filled in.")
    return value


def among(known: Container[str]) -> AfterValidator:
    """A choice from what the house knows, where that is a table and no list of words."""

    def chosen(value: str) -> str:
        if value not in known:
            raise ValueError("Choose one from the list.")
        return value

    return AfterValidator(chosen)


def _empty_is_none(value: Any) -> Any:
    return None if isinstance(value, str) and not value.strip() else value


def _day(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        day = date.fromisoformat(value.strip())
    except ValueError:
        raise ValueError("A day like 2026-11-25, please.") from None
    # Beyond, a calendar's arithmetic falls off the edge; nobody means such a day.
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValueError("Is the year right?")
    return day


def mail_problem(address: str) -> str | None:
    """What is wrong with a mail address, or None.

    Lengths are those of RFC 5321 section 4.5.3.1: 64 octets before the sign, 255 after it, and
    254 in all, because the path of 256 counts its angle brackets.
    """
    if not _MAIL.match(address):
        return "That is not an email address. One looks like name@house.example."
    local, _, domain = address.rpartition("@")
    if len(local.encode()) > _LOCAL or len(domain.encode()) > _DOMAIN:
        return "That email address is too long."
    if len(address.encode()) > _PATH or local.startswith(".") or ".." in address:
        return "Nobody can be reached at that email address. Check it."
    return None


def _mail(value: str) -> str:
    if value and (wrong := mail_problem(value)) is not None:
        raise ValueError(wrong)
    return value


Line = Annotated[str, Field(default=""), AfterValidator(_clean(200, False))]
Short = Annotated[str, Field(default=""), AfterValidator(_clean(60, False))]
Name = Annotated[
    str, Field(default=""), AfterValidator(_clean(120, False)), AfterValidator(_filled)
]
Words = Annotated[str, Field(default=""), AfterValidator(_clean(2000, True))]
Reason = Annotated[
    str, Field(default=""), AfterValidator(_clean(500, True)), AfterValidator(_filled)
]
Mail = Annotated[str, Field(default=""), AfterValidator(_clean(254, False)), AfterValidator(_mail)]
Day = Annotated[
    date | None, Field(default=None), BeforeValidator(_day), BeforeValidator(_empty_is_none)
]
Number = Annotated[
    int | None,
    Field(default=None, ge=-text.LARGEST, le=text.LARGEST),
    BeforeValidator(_empty_is_none),
]
Tick = Annotated[bool, Field(default=False), BeforeValidator(lambda v: v in ("1", "on", True))]
# How an order came, and how staff and customer speak.
OrderChannel = Literal["shop", "phone", "mail", "in_person", "other"]
# Who asked for a change: the customer, by one of these ways, or the studio itself.
Asker = OrderChannel | Literal["us"]
Channel = Literal["letter", "mail", "phone", "in_person", "shop", "other"]
