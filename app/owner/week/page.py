"""What the page of the week ahead shows, on screen and on paper."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from app.orders.benches import store as benches
from app.orders.forecast.chances import how_likely
from app.orders.lists import store as lists
from app.owner.away import store as absences
from app.owner.away.rules import Away
from app.owner.week import store
from app.owner.week.rules import DAYS, Event, holds, machine_ends, moves, week_days
from app.shared.carriers import last_leaving
from app.shared.web import words
from app.studio import store as studio
from app.studio.workshop import InForce, Workshop

LINKS_BACK = 14


def page(workshop: Workshop) -> dict[str, Any]:
    """The seven days from today on."""
    now, in_force = workshop.now(), workshop.in_force()
    calendar, zone = in_force.calendar, in_force.settings.zone_info()
    today = calendar.day_of(now)
    last = today + timedelta(days=DAYS - 1)
    first_link = (today - timedelta(days=LINKS_BACK)).isoformat()
    with workshop.database.reading() as db:
        pieces = benches.lines(db)
        parts = lists.parts_to_come(db)
        orders = store.open_orders(db)
        links = store.links_that_expire(db, first_link, last.isoformat())
        closures, away = studio.standing_closures(db), absences.standing(db)
    events = [
        *_closed(closures, today, last),
        *_away(away, today, last),
        *machine_ends(pieces, calendar.day_of, lambda at: words.clock(at, zone)),
        *_orders(orders, workshop.chances(), in_force, today),
        *_parts(parts),
        *(
            Event(
                date.fromisoformat(row.lapses_on),
                f"the link to {row.name}’s photos expires",
                row.number,
            )
            for row in links
        ),
        *holds(pieces),
    ]
    before, days = week_days(events, calendar, today)
    return {
        "before": before,
        "days": days,
        "moves": moves(pieces, workshop.pace(), calendar, now, blank_on=in_force.settings.blank_on),
        "today": today,
        "last": last,
        "now": now,
        "zone": zone,
    }


def _closed(closures: Sequence[Any], today: date, last: date) -> list[Event]:
    found = []
    for row in closures:
        first, end = date.fromisoformat(row.first_day), date.fromisoformat(row.last_day)
        if first <= last and end >= today:
            until = f" until {words.day(end, today)}" if end > first else ""
            why = f": {row.reason}" if row.reason else ""
            found.append(Event(max(first, today), f"the workshop is closed{until}{why}"))
    return found


def _away(known: Sequence[Away], today: date, last: date) -> list[Event]:
    return [
        Event(
            max(one.first, today),
            f"{one.name} is {'out of use' if one.machine_id else 'away'}"
            + (f" until {words.short_day(one.last, today)}" if one.last > one.first else ""),
        )
        for one in known
        if one.first <= last and one.last >= today
    ]


def _parts(parts: Sequence[Mapping[Any, Any]]) -> list[Event]:
    found = []
    for row in parts:
        if row["due_on"]:
            what, whence = row["what"] or row["kind"], row["supplier"]
            said = f"{what} due from {whence}" if whence else f"{what} due"
            found.append(Event(date.fromisoformat(row["due_on"]), said, row["number"]))
    return found


def _orders(
    orders: Sequence[Any], chances: Mapping[int, float], in_force: InForce, today: date
) -> list[Event]:
    """The last day of leaving for a day something is needed by, and the last day told."""
    found = []
    for row in orders:
        whose = f"{row.name}, {row.animals}"
        if row.needed_by:
            needed = date.fromisoformat(row.needed_by)
            leave = last_leaving(needed, in_force.journey(row.ship_country))
            said = how_likely(row.needed_by, chances.get(row.id), today)
            by = ", ".join(filter(None, (f"needed by {words.short_day(needed, today)}", said)))
            found.append(Event(leave, f"last day to send {whose}: {by}", row.number))
        if row.to_day and today <= (told := date.fromisoformat(row.to_day)):
            found.append(Event(told, f"last day told to {whose}", row.number))
    return found
