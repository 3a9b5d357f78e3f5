"""When a parcel left, as typed."""

from datetime import date, time

from app.shared.errors import BadFields
from app.studio.typed import typed_moment as read
from app.studio.workshop import Workshop


def typed_moment(
    workshop: Workshop, day: date | None, clock: str, name: str, usual: time = time(17)
) -> int | None:
    """A typed day and hour, a day alone meaning the usual hour of handing over.

    Today without an hour means now. Raises BadFields for the future.
    """
    now = workshop.now()
    today = workshop.in_force().calendar.day_of(now)
    moment = read(workshop.in_force(), day, clock, f"{name}_at", today, usual)
    if moment is None or (day == today and not clock):
        return None
    if moment > now:
        raise BadFields({f"{name}_on" if not clock else f"{name}_at": "That is in the future."})
    return moment
