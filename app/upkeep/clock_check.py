"""Whether this machine's clock is behind what was noted here already.

An entry made now would then lie before others that came first, with a time that is not so.
"""

from sqlalchemy import text

from app.studio.cached import cached_a_minute
from app.studio.workshop import Workshop

# A clock that is put right by the network may step back a little.
_STEP = 60
_NEWEST = text("SELECT recorded_at FROM transitions ORDER BY id DESC LIMIT 1")


def behind(workshop: Workshop) -> str | None:
    """A sentence where the clock is before the last entry, or None."""
    now = workshop.now()
    with workshop.database.reading() as db:
        newest = db.execute(_NEWEST).scalar()
    if newest is None or newest - now <= _STEP:
        return None
    local = workshop.in_force().calendar.local
    return (
        f"This computer’s clock says {local(now):%-d %B %Y, %H:%M}, but the last entry was made on "
        f"{local(newest):%-d %B %Y, %H:%M}. Set the clock right before anybody goes on: what is "
        "noted meanwhile gets wrong times."
    )


warning = cached_a_minute(behind)
