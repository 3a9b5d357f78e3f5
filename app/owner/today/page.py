"""What the owner's page shows: what needs a look, how the work flows, is the house in order."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Connection

from app.flow.queue import FALLING
from app.flow.steps import Step
from app.orders.book import store as waiting_list
from app.orders.book.rules import told_is_over
from app.orders.facts.to_tell import to_tell
from app.orders.forecast.chances import how_likely, odds
from app.orders.lists import store as lists
from app.orders.lists.sifting import Sifting
from app.owner.answers import promise
from app.owner.today import store
from app.owner.today.rules import (
    WEEKS,
    InOrder,
    flow_words,
    last_to_pass,
    last_to_pass_words,
    line_words,
    lines,
)  # fmt: skip
from app.owner.what_if.store import KeptAsk, of_tonight
from app.shared.calendar import DAY
from app.shared.carriers import last_leaving
from app.studio.workshop import Workshop

SHOWN = 8
FELL_DAYS, FELL_BY = 7, 0.1
CHRISTMAS_AHEAD = 150
MOST_AHEAD = 1000
# What was simulated is said for today while no more than a night was missed.
STILL_TRUE = 2 * DAY
Look = Callable[[Workshop], Sequence[InOrder]]


@dataclass(frozen=True, slots=True)
class AtRisk:
    """An order that may miss the day it is needed by: its row, its chance in words, and the chance
    of some days ago where it has fallen since."""

    row: Mapping[Any, Any]
    said: str
    before: str
    day: str


@dataclass(frozen=True, slots=True)
class Customers:
    """What waits for customers: animals without photos (and those longer than usual), questions,
    pieces on hold for them."""

    photos: int
    long: int
    questions: int
    held: int


def page(workshop: Workshop, looks: Sequence[Look], by: str = "") -> dict[str, Any]:
    """Everything on the page, as of now; `by` is a day (ISO) for which photos are to pass in time,
    and what is no day ahead is as if it were not said."""
    now, in_force = workshop.now(), workshop.in_force()
    calendar = in_force.calendar
    today, since = calendar.day_of(now), now - WEEKS * 7 * DAY
    chances = workshop.chances()
    with workshop.database.reading() as db:
        past = lists.order_list(db, Sifting("ready", "past"), today.isoformat(), every=True)
        risk = at_risk(db, chances, today)
        moved = to_tell(db, in_force, now)
        flow = store.flow(db, since, now)
        steps = store.at_steps(db, since, now)
        customers = _customers(db, workshop, now)
        book = waiting_list.book(db, in_force, now)
        simulated = [one for one in of_tonight(db) if one.found]
    found = lines(steps, blank_on=in_force.settings.blank_on)
    return {
        "past": past,
        "likely": {
            row["id"]: how_likely(row["needed_by"], chances.get(row["id"]), today) for row in past
        },
        "risk": risk,
        "moved": moved,
        "chances_known": bool(chances),
        "shown": SHOWN,
        "flow": flow,
        "flow_words": flow_words(flow),
        "lines": found,
        "line_words": line_words(found),
        "busiest": _busiest(simulated, now),
        "promise": promise(workshop.days_from_passing(), today, calendar),
        "by_christmas": _by_christmas(workshop, today),
        "by": _by_a_day(workshop, _ahead(by, today), today),
        "customers": customers,
        "book": book,
        "can_begin": sum(week == book.monday for week in book.begins),
        "told_over": sum(told_is_over(row["begins_on"], today) for row in book.listed),
        "in_order": [said for look in looks for said in look(workshop)],
        "today": today,
        "now": now,
        "zone": in_force.settings.zone_info(),
    }


def _by_christmas(workshop: Workshop, today: date) -> str:
    """Until when photos must pass for 24 December, in the last months before it."""
    points, in_force = workshop.days_from_passing(), workshop.in_force()
    eve = date(today.year + (today > date(today.year, 12, 24)), 12, 24)
    if points is None or (eve - today).days > CHRISTMAS_AHEAD:
        return ""
    leave = last_leaving(eve, in_force.journey(in_force.settings.country))
    return last_to_pass_words(last_to_pass(points, leave, in_force.calendar), eve, today)


@dataclass(frozen=True, slots=True)
class ByADay:
    """A day, until when photos must pass for it, in a sentence, and by size."""

    day: date
    said: str
    sizes: Sequence[Any]


def _ahead(typed: str, today: date) -> date | None:
    try:
        day = date.fromisoformat(typed)
    except ValueError:
        return None
    return day if 0 < (day - today).days <= MOST_AHEAD else None


def _by_a_day(workshop: Workshop, day: date | None, today: date) -> ByADay | None:
    """Until when photos must pass for a day, as the forecast has it, and by size."""
    points, in_force = workshop.days_from_passing(), workshop.in_force()
    if day is None or points is None:
        return None
    # numpy is large: only who asks for a day has it loaded.
    from app.owner.today.by_size import last_by_size

    leave = last_leaving(day, in_force.journey(in_force.settings.country))
    with workshop.database.reading() as db:
        sizes = last_by_size(db, in_force.calendar, leave, workshop.now())
    said = last_to_pass_words(last_to_pass(points, leave, in_force.calendar), day, today)
    return ByADay(day, said, sizes)


def _busiest(simulated: Sequence[KeptAsk], now: int) -> str:
    """Who or what the last simulation found busiest; nothing once it is days old."""
    for one in simulated:
        if one.done_at is not None and now - one.done_at <= STILL_TRUE:
            return str(one.found["bottleneck"])
    return ""


def at_risk(db: Connection, chances: Mapping[int, float], today: date) -> list[AtRisk]:
    """Orders that may miss their day, the least likely first, with what was said a week ago."""
    ids = [order for order, chance in chances.items() if chance < FALLING]
    rows = lists.order_list(db, Sifting("needed", "risk"), today.isoformat(), ids, every=True)
    before = store.chances_before(db, (today - timedelta(days=FELL_DAYS)).isoformat())
    found = []
    for row in sorted(rows, key=lambda row: chances[row["id"]]):
        day, was = before.get(row["id"], ("", 0.0))
        fell = was - chances[row["id"]] >= FELL_BY
        said = odds(was) if fell else ""
        now = how_likely(row["needed_by"], chances[row["id"]], today)
        found.append(AtRisk(row, now, said, day if fell else ""))
    return found


def _customers(db: Connection, workshop: Workshop, now: int) -> Customers:
    photos = lists.photos_wanted(db)
    _, slow, _ = workshop.pace()[Step.PHOTOS_WANTED]
    asked = [row for row in photos if not row["hold_whose"] and row["told_at"] is None]
    long = sum(now - row["entered_at"] > slow * DAY for row in asked)
    held = len(lists.held_by_customers(db)) + sum(bool(row["hold_whose"]) for row in photos)
    return Customers(len(asked), long, len(lists.open_questions(db)), held)
