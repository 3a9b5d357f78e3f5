"""The settings as they stand in a form: flat fields of text, and back, with a sentence for each
field that will not do."""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from datetime import date, timedelta
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict

from app.shared.errors import BadFields
from app.shared.text import tidy, whole_number
from app.shared.web.fields import mail_problem
from app.shared.web.forms import Form, check
from app.studio.rules import StudioSettings, line, read_hours, say_hours

LONGEST_TEXT = 2_000
_TICKS = ("blank_on", "photos_at_pass", "own_photos")
# The settings that have a page of their own.
ELSEWHERE = {
    "own_words", "keeps", "public_address", "mail_host", "mail_port", "mail_security", "mail_user",
    "mail_tagged", "backups_folder", "set_up_fine", "set_up_over",
}  # fmt: skip
# The settings that are one field of the form each.
_FLAT = [
    name for name in StudioSettings.model_fields if name not in {"hours", "capacity", *ELSEWHERE}
]


def flat(settings: StudioSettings, steps: Iterable[str]) -> dict[str, str]:
    """The settings as the form shows them: a text for each field, "" for a tick that is off."""
    found = settings.model_dump(include=set(_FLAT))
    typed = {name: "" if value is None else str(value) for name, value in found.items()}
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
    values = _one_each(form, _FLAT, wrong)
    values |= {name: name in form for name in _TICKS}
    values["hours"] = _read_hours(form, wrong)
    values["capacity"] = _read_capacity(form, steps, wrong)
    if values["contact_mail"] and (said := mail_problem(tidy(values["contact_mail"]))) is not None:
        wrong["contact_mail"] = said
    settings = None
    try:
        settings = check(StudioSettings, values)
    except BadFields as why:
        wrong = {**why.fields, **wrong}
    if settings is not None and not wrong:
        _check_place(settings, holidays, wrong)
    if settings is not None and settings.posting_until <= settings.posting_from:
        wrong["posting_until"] = "“Until” must be later than “From”."
    if settings is not None:
        _check_weeks(settings.usual_weeks_from, settings.usual_weeks_to, wrong)
    if settings is None or wrong:
        raise BadFields(wrong)
    return settings


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
            if spans := read_hours(line(60)(typed)):
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
            wrong[name] = "A whole number from 1 to 999, or leave it empty."
    return capacity


def _check_place(
    settings: StudioSettings, holidays: Callable[[str, str], object], wrong: dict[str, str]
) -> None:
    country, region = settings.country, settings.region
    if region and not country:
        wrong["country"] = "Enter the country of this region."
        return
    for field, place in (("country", (country, "")), ("region", (country, region))):
        try:
            holidays(*place)
        except ValueError:
            wrong[field] = f"We don’t know the holidays of that {field}. Check the code."
            return


def _check_weeks(low: int, high: int, wrong: dict[str, str]) -> None:
    if low and not high:
        wrong["usual_weeks_to"] = "How many weeks at most?"
    elif high and not low:
        wrong["usual_weeks_from"] = "How many weeks at least?"
    elif low > high:
        wrong["usual_weeks_to"] = "“To” must not be less than “From”."


def digest(typed: Mapping[str, Any]) -> str:
    """A short mark of what a form was filled with, to notice that it was changed meanwhile."""
    plain = json.dumps(typed, sort_keys=True)
    return hashlib.sha256(plain.encode("utf-8", "surrogatepass")).hexdigest()[:16]


class TypedClosure(BaseModel):
    """A closure as typed."""

    model_config = ConfigDict(extra="ignore")

    first_day: date
    last_day: date
    reason: Annotated[str, AfterValidator(line(120))]


def read_closure(form: Form, today: date) -> TypedClosure:
    """The closure that a form asks for; an empty last day is the first. Raises BadFields.

    A closure of the last weeks may be told afterwards: stays are counted by it.
    """
    names = ("first_day", "last_day", "reason")
    values = {name: form.get(name).strip() for name in names}
    values["last_day"] = values["last_day"] or values["first_day"]
    if not values["first_day"]:
        raise BadFields({"first_day": "Which day? One like 2026-12-24, please."})
    found = check(TypedClosure, values)
    if found.first_day < today - timedelta(days=366):
        raise BadFields({"first_day": "That is more than a year ago."})
    if found.last_day < found.first_day:
        raise BadFields({"last_day": "The last day is before the first."})
    if found.last_day > today + timedelta(days=1_000):
        raise BadFields({"last_day": "That is more than three years ahead."})
    if (found.last_day - found.first_day).days > 120:
        raise BadFields({"last_day": "That is more than four months. Is the year right?"})
    return found
