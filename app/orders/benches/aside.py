"""Until when and why a piece is set aside, as a form says it: one of the usual times, or typed."""

from datetime import date
from typing import Literal

from app.orders.benches import words
from app.orders.benches.moves import Aside
from app.shared.calendar import DAY
from app.shared.errors import BadFields
from app.shared.web.fields import Day, Fields, Line
from app.shared.web.forms import Form, check
from app.studio.typed import typed_moment
from app.studio.workshop import InForce, Workshop


class AsideFields(Fields):
    """Until when and why: a choice, or what is typed."""

    until: Literal["quarter", "hour", "morning", "typed"] = "morning"
    until_day: Day
    until_hour: Line
    why: Line
    reason: Line


def aside_of(form: Form, workshop: Workshop, *, by_button: bool = False) -> Aside:
    """The choice, or the typed time. Raises BadFields.

    A typed day or hour goes before a choice that a list shows anyhow, not before one whose own
    button was pressed.
    """
    typed = check(AsideFields, form.plain())
    calendar, now = workshop.in_force().calendar, workshop.now()
    nothing = typed.until_day is None and not typed.until_hour
    if typed.until != "typed" and (by_button or nothing):
        chosen = {until.key: until.moment for until in words.untils(now, calendar)}
        moment = chosen[typed.until]
    elif nothing:
        raise BadFields({"until_day": "Until when? Type a day or an hour."})
    else:
        moment = _typed_moment(typed.until_day, typed.until_hour, workshop.in_force(), now)
    return Aside(moment, typed.reason or typed.why)


def _typed_moment(day: date | None, hour: str, in_force: InForce, now: int) -> int:
    calendar = in_force.calendar
    today = calendar.day_of(now)
    opening = words.opening(day or today, calendar)
    moment = typed_moment(in_force, day, hour, "until_hour", today, opening)
    assert moment is not None
    if moment <= now:
        raise BadFields({"until_hour": "That has passed already. Enter a time in the future."})
    if moment > now + 366 * DAY:
        raise BadFields({"until_day": "That is over a year away. Put it on hold instead."})
    return moment
