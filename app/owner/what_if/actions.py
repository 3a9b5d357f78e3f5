"""Asking the simulation, and marking a change as made."""

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Annotated

from pydantic import AfterValidator

from app.flow.steps import STEPS, Step, TimeClass
from app.owner.what_if import store
from app.owner.what_if.words import HALF_DAY, PHOTOS
from app.shared.errors import BadFields, NotFound
from app.shared.people import Person
from app.shared.web.fields import Day, Fields, Name, Short
from app.studio.workshop import Workshop

PEOPLES = tuple(
    step for step, facts in STEPS.items() if facts.usual and facts.waits_for is TimeClass.WAITING
)
MOST_WAITING = 5


def _number(least: int, most: int) -> Callable[[str], int]:
    """A whole number as typed, with or without a sign; nothing is 0."""

    def read(value: str) -> int:
        try:
            number = int(value.strip().removeprefix("+") or 0)
        except ValueError:
            number = most + 1
        if not least <= number <= most:
            raise ValueError(f"A whole number between {least} and {most}, please.")
        return number

    return read


def _step(value: str) -> str:
    if value and value not in PEOPLES:
        raise ValueError("Choose a step.")
    return value


class AskFields(Fields):
    """A change: how many more people at a step, machines' places, a half day, better photos, more
    orders. What is empty stays as it is."""

    name: Name
    step: Annotated[Short, AfterValidator(_step)]
    people: Annotated[Short, AfterValidator(_number(-9, 9))]
    builds: Annotated[Short, AfterValidator(_number(-20, 20))]
    blanks: Annotated[Short, AfterValidator(_number(-20, 20))]
    half_day: Short
    photos: Annotated[Short, AfterValidator(_number(0, 100))]
    orders: Annotated[Short, AfterValidator(_number(-90, 300))]


class MadeFields(Fields):
    """From which day on a change has been made; empty takes that back."""

    made_on: Day


def settings_of(typed: AskFields) -> list[str]:
    """The change as settings. Raises BadFields where nothing would change."""
    people, builds, blanks, photos, orders = (
        int(value or 0)
        for value in (typed.people, typed.builds, typed.blanks, typed.photos, typed.orders)
    )
    found = []
    if people:
        if not typed.step:
            raise BadFields({"step": "At which step?"})
        found.append(f"{typed.step} people={people:+d}")
    if builds:
        found.append(f"{Step.BUILDING} machines={builds:+d}")
    if blanks:
        found.append(f"{Step.BLANK} machines={blanks:+d}")
    if typed.half_day:
        found.append(HALF_DAY)
    if photos:
        found.append(f"{PHOTOS}{photos}")
    if orders:
        found.append(f"newcomers={orders:+d}%")
    if not found:
        raise BadFields({"people": "What would change? Fill in at least one of these."})
    return found


def ask(workshop: Workshop, typed: AskFields, who: Person) -> None:
    """Ask what a change would bring. Raises BadFields."""
    settings = json.dumps(settings_of(typed))
    with workshop.database.writing() as db:
        asks, _ = store.waiting(db)
        if len(asks) >= MOST_WAITING:
            raise BadFields({"name": "Others are being worked out. Wait for them first."})
        store.ask(db, typed.name, settings, who.account_id, workshop.now())


def ask_ready(workshop: Workshop, who: Person) -> None:
    """Have the ready changes worked out now, once however often it is asked."""
    with workshop.database.writing() as db:
        if not store.waiting(db)[1]:
            store.ask(db, "Ready changes", store.READY, who.account_id, workshop.now())


def drop(workshop: Workshop, id_: int) -> None:
    """Put a question away. Raises NotFound."""
    with workshop.database.writing() as db:
        if not store.drop(db, id_, workshop.now()):
            raise NotFound("There is no such question. It may have been deleted already.")


def mark_made(workshop: Workshop, id_: int, typed: MadeFields) -> None:
    """Mark a change as made from a day on, or not made. Raises BadFields, NotFound."""
    today = workshop.in_force().calendar.day_of(workshop.now())
    day = typed.made_on
    if day is not None and not today - timedelta(days=730) <= day <= today:
        raise BadFields({"made_on": "A day of the last two years, please."})
    with workshop.database.writing() as db:
        if not store.made(db, id_, day.isoformat() if day else None):
            raise NotFound("There is no such question with an answer.")
