"""The settings as they stand in a form: flat fields of text, and back, with a sentence for each
field that will not do."""

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date, timedelta
from typing import Annotated, Any
from zoneinfo import available_timezones

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from app.shared.errors import BadFields
from app.shared.text import problem, tidy, whole_number
from app.shared.web.forms import Form, check
from app.studio.rules import StudioSettings, read_hours, say_hours

LONGEST_TEXT = 2_000
_MOST_CHOICES, _LONGEST_CHOICE = 40, 40
_MAIL = re.compile(r"[^\s@<>,;:\"()]{1,64}@[^\s@<>,;:\"()]+\.[^\s@<>,;:\"().]{2,}")


def _line(longest: int, *, needed: bool = False) -> Callable[[str], str]:
    def clean(value: str) -> str:
        value = tidy(value)
        if needed and not value:
            raise ValueError("This has to be filled in.")
        if (wrong := problem(value, longest)) is not None:
            raise ValueError(wrong)
        return value

    return clean


def _mail(value: str) -> str:
    # RFC 5321 4.5.3.1: a path is at most 256 octets with its angle brackets.
    value = _line(254)(value)
    if value and not _MAIL.fullmatch(value):
        raise ValueError("That is not a mail address. One is called desk@studio.example, say.")
    return value


def _choices(value: str) -> str:
    parts = list(dict.fromkeys(p for p in (tidy(p) for p in value.split(",")) if p))
    if not parts:
        raise ValueError("Name at least one.")
    if len(parts) > _MOST_CHOICES:
        raise ValueError(f"At most {_MOST_CHOICES}, please.")
    for part in parts:
        if (wrong := problem(part, _LONGEST_CHOICE)) is not None:
            raise ValueError(wrong)
    return ", ".join(parts)


def _sizes(value: str) -> str:
    listed = _choices(value)
    for part in listed.split(", "):
        if (whole_number(part, 2000) or 0) < 5:
            raise ValueError(f"“{part}” is not a size: whole millimetres from 5 to 2000.")
    return listed


def _zone(value: str) -> str:
    value = tidy(value)
    if value not in available_timezones():
        raise ValueError("That time zone is not known. One is called Europe/London, say.")
    return value


def _capitals(value: str) -> str:
    return _line(10)(value).upper()


Choices = Annotated[str, AfterValidator(_choices)]
Hour = Annotated[int, Field(ge=0, le=24)]


class _Flat(BaseModel):
    """The fields of the form that stand for themselves."""

    model_config = ConfigDict(extra="ignore")

    name: Annotated[str, AfterValidator(_line(80, needed=True))]
    contact_mail: Annotated[str, AfterValidator(_mail)]
    contact_phone: Annotated[str, AfterValidator(_line(60))]
    contact_hours: Annotated[str, AfterValidator(_line(120))]
    zone: Annotated[str, AfterValidator(_zone)]
    country: Annotated[str, AfterValidator(_capitals)]
    region: Annotated[str, AfterValidator(_capitals)]
    first_number: Annotated[int, Field(ge=1, le=9_999_999)]
    copy_deadline_working_days: Annotated[int, Field(ge=0, le=60)]
    assumed_received_days: Annotated[int, Field(ge=1, le=90)]
    link_lapses_days: Annotated[int, Field(ge=7, le=1_095)]
    carriers: Choices
    bases: Choices
    poses: Choices
    sizes: Annotated[str, AfterValidator(_sizes)]
    posting_from: Hour
    posting_until: Hour
    blank_on: bool


_TICKS = ("blank_on",)


def flat(settings: StudioSettings, steps: Iterable[str]) -> dict[str, str]:
    """The settings as the form shows them: a text for each field, "" for a tick that is off."""
    found = settings.model_dump(include=set(_Flat.model_fields))
    typed = {name: str(value) for name, value in found.items()}
    typed |= {name: "1" if found[name] else "" for name in _TICKS}
    typed |= {f"hours_{day}": settings.hours.get(day, "") for day in range(7)}
    typed |= {f"capacity_{step}": str(settings.capacity.get(step, "")) for step in steps}
    return typed


def read(
    form: Form, steps: Iterable[str], holidays: Callable[[str, str], object]
) -> StudioSettings:
    """The settings that a form asks for.

    `holidays(country, region)` raises ValueError for a place whose holidays nobody knows.
    Raises BadFields with every field that will not do.
    """
    wrong: dict[str, str] = {}
    values = _one_each(form, [*_Flat.model_fields], wrong)
    values |= {name: name in form for name in _TICKS}
    found: dict[str, Any] = {}
    try:
        found = check(_Flat, values).model_dump()
    except BadFields as why:
        wrong = {**why.fields, **wrong}
    found["hours"] = _read_hours(form, wrong)
    found["capacity"] = _read_capacity(form, steps, wrong)
    if not wrong:
        _read_place(found, holidays, wrong)
    if "posting_from" in found and found["posting_until"] <= found["posting_from"]:
        wrong["posting_until"] = "The window has to end after it begins."
    if wrong:
        raise BadFields(wrong)
    return check(StudioSettings, found)


def _one_each(form: Form, names: Iterable[str], wrong: dict[str, str]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for name in names:
        try:
            values[name] = form.get(name)
        except BadFields as why:
            wrong.update(why.fields)
            values[name] = form.many(name)[-1]
    return values


def _read_hours(form: Form, wrong: dict[str, str]) -> dict[int, str]:
    hours: dict[int, str] = {}
    texts = _one_each(form, [f"hours_{day}" for day in range(7)], wrong)
    for day in range(7):
        typed = tidy(texts[f"hours_{day}"])
        try:
            if spans := read_hours(_line(60)(typed)):
                hours[day] = say_hours(spans)
        except ValueError as why:
            wrong[f"hours_{day}"] = str(why)
    return hours


def _read_capacity(form: Form, steps: Iterable[str], wrong: dict[str, str]) -> dict[str, int]:
    capacity: dict[str, int] = {}
    texts = _one_each(form, [f"capacity_{step}" for step in steps], wrong)
    for name, typed in texts.items():
        if not typed.strip():
            continue
        if number := whole_number(typed.strip(), 999):
            capacity[name.removeprefix("capacity_")] = number
        else:
            wrong[name] = "A whole number from 1 to 999, or nothing."
    return capacity


def _read_place(
    found: Mapping[str, Any], holidays: Callable[[str, str], object], wrong: dict[str, str]
) -> None:
    country, region = found["country"], found["region"]
    if region and not country:
        wrong["country"] = "Which country is the region in?"
        return
    for field, place in (("country", (country, "")), ("region", (country, region))):
        try:
            holidays(*place)
        except ValueError:
            wrong[field] = f"The holidays of that {field} are not known. Leave it empty, perhaps."
            return


def digest(typed: Mapping[str, Any]) -> str:
    """A short mark of what a form was filled with, to notice that it was changed meanwhile."""
    plain = json.dumps(typed, sort_keys=True)
    return hashlib.sha256(plain.encode("utf-8", "surrogatepass")).hexdigest()[:16]


class Closure(BaseModel):
    """A closure as typed."""

    model_config = ConfigDict(extra="ignore")

    first_day: date
    last_day: date
    reason: Annotated[str, AfterValidator(_line(120))]


def read_closure(form: Form, today: date) -> Closure:
    """The closure that a form asks for; an empty last day is the first. Raises BadFields.

    A closure of the last weeks may be told afterwards: stays are counted by it.
    """
    names = ("first_day", "last_day", "reason")
    values = {name: form.get(name).strip() for name in names}
    values["last_day"] = values["last_day"] or values["first_day"]
    if not values["first_day"]:
        raise BadFields({"first_day": "Which day? One like 2026-12-24, please."})
    found = check(Closure, values)
    if found.first_day < today - timedelta(days=366):
        raise BadFields({"first_day": "That is more than a year past."})
    if found.last_day < found.first_day:
        raise BadFields({"last_day": "The last day lies before the first."})
    if found.last_day > today + timedelta(days=1_000):
        raise BadFields({"last_day": "That is more than three years ahead."})
    if (found.last_day - found.first_day).days > 120:
        raise BadFields({"last_day": "That is more than four months. Is the year right?"})
    return found
