"""Days and hours as people type them, in the studio's own zone."""

from datetime import date, time

from app.shared.calendar import OddHour
from app.shared.errors import BadFields
from app.studio.workshop import InForce


def read_clock(text: str, name: str) -> time | None:
    """A typed hour such as 9:05 or 14.30. Raises BadFields at the named field."""
    text = text.strip().replace(".", ":")
    if not text:
        return None
    hours, _, minutes = text.partition(":")
    if not (hours.isdecimal() and (minutes.isdecimal() or not minutes)) or len(text) > 5:
        raise BadFields({name: "A time like 14:30, please."})
    if int(hours) > 23 or int(minutes or 0) > 59:
        raise BadFields({name: "A time like 14:30, please."})
    return time(int(hours), int(minutes or 0))


def typed_moment(
    in_force: InForce, day: date | None, clock: str, at: str, today: date, usual: time
) -> int | None:
    """A typed day and hour as a UTC moment; None where neither was typed. `at` is the hour's field.

    An hour alone is today's, a day alone means `usual`.
    Raises BadFields, also for an hour that the clock change skips or doubles.
    """
    hour = read_clock(clock, at)
    if day is None and hour is None:
        return None
    try:
        return in_force.calendar.moment(day or today, hour or usual)
    except OddHour as why:
        raise BadFields({at: f"{why} Enter a time an hour earlier or later."}) from None
