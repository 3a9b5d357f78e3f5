"""Noting who is away, and taking it back."""

from datetime import timedelta
from typing import Annotated

from pydantic import AfterValidator

from app.owner.away import store
from app.shared.errors import BadFields, NotFound
from app.shared.people import Person
from app.shared.text import whole_number
from app.shared.web import words
from app.shared.web.fields import Day, Fields, Short
from app.studio.workshop import Workshop

MOST_DAYS, MOST_AHEAD, MOST_BACK = 366, 1_000, 366


def _whose(value: str) -> str:
    of, _, number = value.partition(":")
    if of not in ("person", "machine") or whole_number(number) is None:
        raise ValueError("Choose a person or a machine.")
    return value


class AbsenceFields(Fields):
    """Who or what (person:3, machine:2), and the first and the last day; an empty last day is the
    first."""

    whose: Annotated[Short, AfterValidator(_whose)]
    first_day: Day
    last_day: Day


def add(workshop: Workshop, typed: AbsenceFields, who: Person) -> None:
    """Note an absence. Raises BadFields where the days make no sense or are noted already."""
    now = workshop.now()
    today = workshop.in_force().calendar.day_of(now)
    first = typed.first_day
    if first is None:
        raise BadFields({"first_day": "Which day? One like 2026-12-24, please."})
    last = typed.last_day or first
    if last < first:
        raise BadFields({"last_day": "The last day is before the first."})
    if (last - first).days >= MOST_DAYS:
        raise BadFields({"last_day": "That is more than a year: switch it off instead."})
    if not today - timedelta(days=MOST_BACK) <= first <= today + timedelta(days=MOST_AHEAD):
        raise BadFields({"first_day": "Is the year right?"})
    of, _, number = typed.whose.partition(":")
    id_ = whole_number(number)
    person, machine = (id_, None) if of == "person" else (None, id_)
    with workshop.database.writing() as db:
        known = store.people(db) if of == "person" else store.in_use(db)
        if id_ not in {row.id for row in known}:
            raise BadFields({"whose": "Choose a person or a machine."})
        if other := store.overlapping(db, person, machine, first, last):
            said = words.short_day(other.first_day, today)
            raise BadFields({"first_day": f"Some of these days are noted already, from {said}."})
        store.add(db, person, machine, first, last, who.account_id, now)


def take_back(workshop: Workshop, id_: int) -> None:
    """Strike an absence. Raises NotFound."""
    with workshop.database.writing() as db:
        if not store.take_back(db, id_, workshop.now()):
            raise NotFound("There is no such absence. It may have been deleted already.")
