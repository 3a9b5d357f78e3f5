"""Forecasts of open orders and usual stays, computed by a worker and stored: never on a request.

An order whose photos have passed gets the days that remain until its last piece leaves the house;
one whose photos have not gets the days from their passing. One that has left gets none.
"""

import json
import threading
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy import Connection, bindparam, func, select, text
from sqlalchemy.dialects.sqlite import insert

from app.flow.steps import PHOTO_STEPS, Step
from app.flow.store import mark_forecasts_stale, mark_pages_stale
from app.orders.forecast.chances import likely
from app.shared.calendar import DAY
from app.shared.carriers import OVERNIGHT, last_leaving, said_way
from app.shared.child import Child, Stopped
from app.shared.web import words
from app.studio.workshop import InForce, Workshop
from app.tables import chances as kept_chances
from app.tables import changes, forecasts, orders

LEAST_BETWEEN = 20
MOST_BETWEEN = 6 * 3600
LOOK_EVERY = 3.0
# The forecast's points, in percent: those of leadtimes.forecast.levels.POINTS.
PERCENTS = (5, 10, 25, 50, 75, 85, 90, 95)
LONGEST_FIGURING = 600
_BASIS = {
    "defaults": "from what is usual in the trade",
    "blend": "partly from what is usual in the trade",
    "own": "from this studio's own record",
    "": "",  # all of it has left the house: nothing is forecast
}

_TRADE, _OUR_WEEKS = "what is usual in the trade", "our usual weeks"

_WAITING = text(
    "SELECT oa.order_id, m.step FROM order_animals oa JOIN models m ON m.id = oa.model_id"
    " WHERE m.step IN :steps"
).bindparams(bindparam("steps", [str(step) for step in PHOTO_STEPS], expanding=True))
_MOVED_SINCE = text(
    "SELECT m.order_id FROM transitions t JOIN models m ON m.id = t.model_id WHERE t.id > :last"
    " UNION SELECT c.order_id FROM transitions t JOIN copies c ON c.id = t.copy_id"
    " WHERE t.id > :last"
)
_EDITS = select(func.coalesce(func.max(changes.c.id), 0))


@dataclass(frozen=True, slots=True)
class Figures:
    """What was worked out, up to the entry `last` of the log.

    `orders` maps an open order to its days at the forecast's points and to what they rest on: no
    days and no basis where all of it has left the house. `entering` holds the days from the photos'
    passing, should they pass today; `pace` a step's usual and slow days, and whether they are the
    studio's own.
    """

    last: int
    orders: dict[int, tuple[list[float], str]]
    entering: list[float]
    pace: dict[str, tuple[float, float, bool]]


Ask = Callable[[Path, int], Figures]


def in_child(stop: threading.Event | None = None) -> Ask:
    """Have the figures worked out by a child process, which ends when `stop` is set.

    What it gives back raises what `Child.lines` does.
    """

    def ask(studio: Path, now: int) -> Figures:
        with Child("app.orders.forecast.figuring", str(studio), str(now), quiet=False) as child:
            (figures,) = child.lines(LONGEST_FIGURING, stop)
        return TypeAdapter(Figures).validate_python(figures)

    return ask


def compute(workshop: Workshop, ask: Ask | None = None) -> int:
    """Have every open order's forecast worked out, and store it; gives how many there are."""
    now = workshop.now()
    with workshop.database.reading() as db:
        edits = db.execute(_EDITS).scalar_one()
    found = (ask or in_child())(workshop.folder.database_file, now)
    with workshop.database.reading() as db:
        rows = db.execute(
            select(orders.c.id, orders.c.needed_by, orders.c.ship_country).where(
                orders.c.needed_by.is_not(None)
            )
        ).all()
        waiting = db.execute(_WAITING).all()
    needed = {
        row.id: (date.fromisoformat(row.needed_by), row.ship_country)
        for row in rows
        if row.id in found.orders
    }
    pace = {Step(step): values for step, values in found.pace.items()}
    photos: dict[int, float] = {}
    for order, step in waiting:
        photos[order] = max(photos.get(order, 0.0), _until_passing(pace, Step(step)))
    chances = _chances(workshop, found.orders, needed, photos, now)
    workshop.set_forecast(pace, chances, found.entering)
    _store(workshop, found.last, edits, found.orders, now)
    _keep_chances(workshop, chances, needed, now)
    return len(found.orders)


def _keep_chances(
    workshop: Workshop, found: Mapping[int, float], needed: Mapping[int, tuple[date, str]], now: int
) -> None:
    """Keep the first chance of the day of each order: only so does it show that one falls."""
    day = workshop.in_force().calendar.day_of(now).isoformat()
    rows = [
        {
            "order_id": order,
            "day": day,
            "needed_by": needed[order][0].isoformat(),
            "thousandths": round(1000 * chance),
        }
        for order, chance in found.items()
    ]
    with workshop.database.reading() as db:
        kept = set(
            db.execute(select(kept_chances.c.order_id).where(kept_chances.c.day == day)).scalars()
        )
    rows = [row for row in rows if row["order_id"] not in kept]
    if rows:
        with workshop.database.writing() as db:
            db.execute(insert(kept_chances).on_conflict_do_nothing(), rows)


def _chances(
    workshop: Workshop,
    found: Mapping[int, tuple[list[float], str]],
    needed: Mapping[int, tuple[date, str]],
    photos: Mapping[int, float],
    now: int,
) -> dict[int, float]:
    """The chance of being there on each needed day, in its country, read off the points.

    Points of an order whose photos have not passed count from their passing: it is taken to come
    after the days of `photos`.
    """
    in_force = workshop.in_force()
    chances: dict[int, float] = {}
    for order, (day, country) in needed.items():
        if not found[order][0]:
            continue
        left = days_to_leave(in_force, day, country, now)
        chances[order] = chance_within(found[order][0], left - photos.get(order, 0.0))
    return chances


def days_to_leave(in_force: InForce, needed: date, country: str, now: int) -> float:
    """Days from `now` to the end of the last day of leaving that is in time for a needed day."""
    last = last_leaving(needed, in_force.journey(country))
    return (in_force.calendar.start_of(last + timedelta(days=1)) - now) / DAY


def chance_by(db: Connection, workshop: Workshop, order_id: int, day: date) -> float | None:
    """The chance (0 to 1) of an open order being there by a day, by its stored forecast.

    None where there is none, or where it is about to be worked out again.
    """
    row = db.execute(select(forecasts).where(forecasts.c.order_id == order_id)).first()
    points = json.loads(row.points) if row is not None and not row.stale else {}
    if row is None or not points:
        return None
    pace = workshop.pace()
    steps = [step for order, step in db.execute(_WAITING).all() if order == order_id]
    photos = {order_id: max((_until_passing(pace, Step(step)) for step in steps), default=0.0)}
    found = {order_id: ([float(points[str(percent)]) for percent in PERCENTS], row.basis)}
    country = db.execute(select(orders.c.ship_country).where(orders.c.id == order_id)).scalar_one()
    needed = {order_id: (day, country)}
    return _chances(workshop, found, needed, photos, row.computed_at)[order_id]


def _until_passing(pace: Mapping[Step, tuple[float, float, bool]], step: Step) -> float:
    """Days until photos pass, if they take their usual stays from the beginning of a step on."""
    return sum(pace[later][0] for later in PHOTO_STEPS[PHOTO_STEPS.index(step) :])


def chance_of_new(workshop: Workshop, day: date, country: str) -> str:
    """A word on whether an order taken today can be in a country by a day, and what is assumed.

    Its photos are taken to come and pass after the usual stays of the photo steps.
    """
    points = workshop.days_from_passing()
    in_force, now = workshop.in_force(), workshop.now()
    if points is None or day <= in_force.calendar.day_of(now):
        return ""
    pace = workshop.pace()
    photos = _until_passing(pace, PHOTO_STEPS[0])
    left = days_to_leave(in_force, day, country, now) - photos
    said = words.capital(likely(chance_within(points, left)))
    way = said_way(in_force.journey(country) or OVERNIGHT)
    return (
        f"{said} by then, if photos come and pass within {round(photos)} days as they usually do, "
        f"with {way} on the way."
    )


def chance_within(points: Sequence[float], days: float) -> float:
    """The share of the forecast that lies within some days: straight lines between the points,
    from nothing at once, and at most the last point's share beyond it."""
    if days <= 0:
        return 0.0
    known, shares = [0.0, *points], [0.0, *(percent / 100 for percent in PERCENTS)]
    place = bisect_right(known, days)
    if place >= len(known):
        return shares[-1]
    low, high = known[place - 1], known[place]
    part = (days - low) / (high - low) if high > low else 1.0
    return shares[place - 1] + part * (shares[place] - shares[place - 1])


def _store(
    workshop: Workshop,
    last: int,
    edits: int,
    found: Mapping[int, tuple[list[float], str]],
    now: int,
) -> None:
    """Keep what was computed from the log up to `last` and the changes up to `edits`."""
    own = workshop.in_force().settings.usual_weeks()
    rows = [
        {
            "order_id": order,
            "computed_at": now,
            "points": points_json(days),
            "basis": _BASIS[basis].replace(_TRADE, _OUR_WEEKS if own else _TRADE),
            "inputs": str(last),
            "stale": 0,
        }
        for order, (days, basis) in found.items()
    ]
    if not rows:
        return
    with workshop.database.writing() as db:
        changed = _changed(db, rows)
        new = insert(forecasts)
        said = {name: new.excluded[name] for name in rows[0] if name != "order_id"}
        db.execute(new.on_conflict_do_update(index_elements=["order_id"], set_=said), rows)
        # What moved while this was computed is computed again soon, and a closure moves all.
        moved = list(db.execute(_MOVED_SINCE, {"last": last}).scalars())
        if db.execute(_EDITS).scalar_one() != edits:
            moved = list(found)
        mark_forecasts_stale(db, moved)
        mark_pages_stale(db, changed)
    workshop.changed.set()


def _changed(db: Connection, rows: list[dict[str, Any]]) -> list[int]:
    """The orders whose stored forecast lagged behind or says something else now."""
    before = {
        row.order_id: (row.points, row.stale)
        for row in db.execute(select(forecasts.c.order_id, forecasts.c.points, forecasts.c.stale))
    }
    return [row["order_id"] for row in rows if before.get(row["order_id"]) != (row["points"], 0)]


def points_json(days: Sequence[float]) -> str:
    """Points as they are stored: percent to days; nothing where there are none."""
    named = zip(PERCENTS, days, strict=True) if days else ()
    return json.dumps({str(percent): day for percent, day in named})


# What was brought in from before tells of lead times, too, though it is no entry of the log.
_NEWEST = text(
    "SELECT (SELECT coalesce(max(id), 0) FROM transitions) || ':' ||"
    " (SELECT count(*) + count(taken_back_at) FROM imports)"
)
# A closure or a setting moves no piece, and yet what was forecast rests on it.
_LAGS = text(
    "SELECT EXISTS (SELECT 1 FROM orders o JOIN forecasts f ON f.order_id = o.id"
    " WHERE o.open = 1 AND f.stale = 1)"
)


def missing(workshop: Workshop) -> bool:
    """Whether an open order has never had a forecast: so it is in a studio just invented."""
    query = text(
        "SELECT 1 FROM orders o LEFT JOIN forecasts f ON f.order_id = o.id"
        " WHERE o.open = 1 AND coalesce(f.inputs, '') = '' LIMIT 1"
    )
    with workshop.database.reading() as db:
        return db.execute(query).first() is not None


def run(workshop: Workshop, stop: threading.Event) -> None:
    """Keep forecasts and usual stays in step until `stop` is set. Meant for a thread."""
    seen, at = "", 0
    while not stop.is_set():
        now = workshop.now()
        with workshop.database.reading() as db:
            newest = db.execute(_NEWEST).scalar_one()
            lags = newest != seen or db.execute(_LAGS).scalar_one()
        waited = now - at
        if (lags and waited >= LEAST_BETWEEN) or waited >= MOST_BETWEEN:
            try:
                compute(workshop, in_child(stop))
            except Stopped:
                return
            seen, at = newest, now
        stop.wait(LOOK_EVERY)
