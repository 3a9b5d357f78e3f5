"""How long a studio keeps what, as it is set, and up to which moment that makes it go. Pure."""

from collections.abc import Mapping
from datetime import date
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, Field

from app.shared.calendar import Calendar

PHOTOS, LETTERS, PEOPLE = "photos", "letters", "people"
_MONTHS = {PHOTOS: 1, LETTERS: 1, PEOPLE: 12}


def _never(typed: object) -> object:
    """An empty field is never."""
    return None if isinstance(typed, str) and not typed.strip() else typed


Months = Annotated[Annotated[int, Field(ge=1, le=600)] | None, BeforeValidator(_never)]
Years = Annotated[Annotated[int, Field(ge=1, le=100)] | None, BeforeValidator(_never)]


class KeepFields(BaseModel):
    """How long photos and the texts of emails are kept, in months, and people without an order, in
    years; None is for ever."""

    photos: Months = None
    letters: Months = None
    people: Years = None


def months_before(day: date, months: int) -> date:
    """The same day so many months earlier, or the last one of a month that is shorter."""
    year, month = divmod(day.year * 12 + day.month - 1 - months, 12)
    for last in (day.day, 30, 29, 28):
        try:
            return date(max(year, 1), month + 1, min(day.day, last))
        except ValueError:
            continue
    raise AssertionError("every month has a 28th")


def cutoffs(keeps: Mapping[str, int], calendar: Calendar, now: int) -> dict[str, int]:
    """What is older than these moments (UTC seconds) is to go, for each kind that is limited."""
    today = calendar.day_of(now)
    return {
        kind: calendar.start_of(months_before(today, many * _MONTHS[kind]))
        for kind, many in keeps.items()
    }
