"""What happened after a change was made, beside what the simulation had said."""

from collections.abc import Sequence
from datetime import date, timedelta

from starlette.requests import Request

from app.leadtimes.log import DAY, FINISHED
from app.leadtimes.statistics import nearest_rank
from app.leadtimes.trend import shift
from app.owner.figures import ENOUGH
from app.owner.lead_times import known_of
from app.owner.trend import SPAN_DAYS
from app.owner.ways import CopyWays
from app.owner.what_if.store import KeptAsk
from app.shared.calendar import Calendar
from app.shared.web import words
from app.studio.workshop import Workshop


def since_made(request: Request, workshop: Workshop, asks: Sequence[KeptAsk]) -> dict[int, str]:
    """By question that was marked as made, what the pieces that left since had taken."""
    seen = known_of(request, workshop).look()
    calendar, now = workshop.in_force().calendar, workshop.now()
    return {
        one.id: compared(seen.ways, date.fromisoformat(one.made_on), calendar, now)
        for one in asks
        if one.made_on
    }


def compared(found: CopyWays, made_on: date, calendar: Calendar, now: int) -> str:
    """Lead times of the pieces that left in the ninety days before a day and in those from it on.

    What else changed meanwhile is in them too. The shift is Hodges and Lehmann's.
    """
    edge = calendar.start_of(made_on)
    first = calendar.start_of(made_on - timedelta(days=SPAN_DAYS))
    last = min(now, calendar.start_of(made_on + timedelta(days=SPAN_DAYS)))
    done = found.take(found.outcome == FINISHED)
    days = done.lead / DAY
    before = days[(done.ended >= first) & (done.ended < edge)]
    after = days[(done.ended >= edge) & (done.ended <= last)]
    left = words.count(len(after), "piece has left", "pieces have left")
    if min(len(before), len(after)) < ENOUGH:
        return f"{words.capital(left)} since: too few to compare before there are {ENOUGH}."
    typical = shift(before, after)
    half = [float(nearest_rank(side, 0.5)) for side in (before, after)]
    span = "since" if last == now else f"in the {SPAN_DAYS} days from then on"
    way = "longer" if typical.typical > 0 else "shorter"
    said = (
        f"Half of the {len(after)} pieces that left {span} had taken {half[1]:.0f} days or less; "
        f"in the {SPAN_DAYS} days before it was {half[0]:.0f}. "
    )
    if not typical.sure:
        return f"{said}That is no more than chance brings."
    low, high = sorted((abs(typical.lower), abs(typical.upper)))
    return (
        f"{said}That is {abs(typical.typical):.1f} days {way} (between {low:.1f} and {high:.1f}). "
        "Whatever else changed meanwhile is in it too."
    )
