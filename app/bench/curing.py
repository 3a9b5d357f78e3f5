"""The last coat: what a Done at painting asks, read from a form, and the choices that it shows.

`bench/_last_coat.html` holds the fields; a form that includes it reads them by `CoatFields`.
"""

from collections.abc import Sequence
from datetime import date, time

from app.flow.steps import Step
from app.shared.calendar import DAY
from app.shared.errors import BadFields
from app.shared.web import words
from app.shared.web.fields import Day, Fields, Line, Short
from app.studio.curing import COATED, MAY_CURE, NOTHING, Coat
from app.studio.typed import typed_moment
from app.studio.workshop import InForce

_LONGEST = 400


class CoatFields(Fields):
    """What is on the piece last, and from when it may be wrapped where the table does not say."""

    coat: Short
    coat_words: Line
    cured_on: Day
    cured_at: Short


def choices(in_force: InForce, step: Step, now: int) -> Sequence[tuple[str, str]]:
    """The materials of the studio's table as (value, words), each with its day from now on.

    Empty at a step where nothing is laid on. Where a coat has to be named the first is the one to
    begin with; elsewhere nothing is.
    """
    if step not in MAY_CURE:
        return ()
    zone = in_force.calendar.zone
    found = [
        (
            cure.material,
            f"{cure.material} ({cure.time}: {words.when(now + cure.seconds, now, zone)})",
        )
        for cure in in_force.settings.curing()
    ]
    nothing = (NOTHING, NOTHING)
    return [*found, nothing] if step is COATED else [nothing, *found]


def read_coat(in_force: InForce, typed: CoatFields, done: int) -> Coat | None:
    """The last coat as a form has it; None where it was not asked. `done` is when it was laid on.

    Raises BadFields at the field for a material without a day, and a day that has passed.
    """
    material = typed.coat_words or typed.coat
    typed_day = typed.cured_on is not None or bool(typed.cured_at)
    if not material:
        if typed_day:
            raise BadFields({"coat": "What is the last coat?"})
        return None
    until = _typed(in_force, typed, done) if typed_day else None
    if typed.coat == NOTHING and not typed.coat_words:
        if typed_day:
            raise BadFields({"coat": "What cures until then? Choose it, or leave the day empty."})
        return Coat(NOTHING, None)
    known = {cure.material.casefold(): cure for cure in in_force.settings.curing()}
    cure = known.get(material.casefold())
    if until is None and cure is None:
        why = "The table has no time for that. From when may it be wrapped?"
        raise BadFields({"cured_on": why})
    return Coat(material, until if cure is None or until is not None else done + cure.seconds)


def _typed(in_force: InForce, typed: CoatFields, done: int) -> int | None:
    today: date = in_force.calendar.day_of(done)
    until = typed_moment(in_force, typed.cured_on, typed.cured_at, "cured_at", today, time(9))
    where = "cured_at" if typed.cured_at else "cured_on"
    if until is not None and until <= done:
        raise BadFields({where: "That has passed already."})
    if until is not None and until > done + _LONGEST * DAY:
        raise BadFields({where: "That is over a year away. Is the year right?"})
    return until
