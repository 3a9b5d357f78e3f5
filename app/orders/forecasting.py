"""Forecasts of open orders and usual stays, computed by a worker and stored: never on a request.

An order whose photos have passed gets the days that remain until its last piece leaves the house;
one whose photos have not gets the days from their passing.
"""

import json
import logging
import threading
from collections.abc import Mapping
from datetime import date

import numpy as np
from sqlalchemy import Connection, bindparam, select, text

from app.flow.steps import PHOTO_STEPS, Step
from app.leadtimes.forecast.defaults import Defaults
from app.leadtimes.forecast.levels import POINTS
from app.leadtimes.forecast.orders import forecast_orders
from app.leadtimes.forecast.pieces import forecast_from_entering, forecast_pieces
from app.leadtimes.survival import Floats
from app.orders import record
from app.studio.workshop import Workshop
from app.tables import forecasts, orders

log = logging.getLogger("likewright")
LEAST_BETWEEN = 20
MOST_BETWEEN = 6 * 3600
LOOK_EVERY = 3.0
SEED = 1
_BASIS = {
    "defaults": "from what is usual in the trade",
    "blend": "partly from what is usual in the trade",
    "own": "from this studio's own record",
}

_STORE = text(
    "INSERT INTO forecasts (order_id, computed_at, points, basis, inputs, stale)"
    " VALUES (:order_id, :at, :points, :basis, :inputs, 0)"
    " ON CONFLICT (order_id) DO UPDATE SET computed_at = :at, points = :points, basis = :basis,"
    " inputs = :inputs, stale = 0"
)
_MOVED_SINCE = text(
    "SELECT m.order_id FROM transitions t JOIN models m ON m.id = t.model_id WHERE t.id > :last"
    " UNION SELECT c.order_id FROM transitions t JOIN copies c ON c.id = t.copy_id"
    " WHERE t.id > :last"
)
_STALE_AGAIN = text("UPDATE forecasts SET stale = 1 WHERE order_id IN :ids").bindparams(
    bindparam("ids", expanding=True)
)
_PAGES = text("UPDATE status_pages SET wanted = wanted + 1 WHERE order_id IN :ids").bindparams(
    bindparam("ids", expanding=True)
)


def compute(shop: Workshop) -> int:
    """Compute and store every open order's forecast; gives how many there are."""
    now = shop.now()
    with shop.house.reading() as db:
        known = record.read(db)
        pace = record.pace_of(db, now)
        rows = db.execute(select(orders.c.id, orders.c.needed_by).where(orders.c.open == 1)).all()
    defaults = record.defaults()
    entering = forecast_from_entering(known.log, record.WAY.index(Step.FINISHING), now, defaults)
    found = _points_of(known, [row.id for row in rows], entering, defaults, now)
    needed = {row.id: row.needed_by for row in rows if row.needed_by is not None}
    shop.set_forecast(pace, _chances(shop, found, needed, now), [float(d) for d in entering[0]])
    _store(shop, known, found, now)
    return len(found)


def _chances(
    shop: Workshop,
    found: Mapping[int, tuple[Floats, str]],
    needed: Mapping[int, str],
    now: int,
) -> dict[int, float]:
    """The chance of being ready on the day before each needed day, read off the points."""
    calendar = shop.studio().calendar
    chances: dict[int, float] = {}
    for order, day in needed.items():
        left = (calendar.start_of(date.fromisoformat(day)) - now) / 86_400
        chances[order] = chance_within(found[order][0], left)
    return chances


def chance_of_new(shop: Workshop, day: date) -> str:
    """A word on whether an order taken today can be ready by a day, and what is assumed.

    Its photos are taken to come and pass after the usual stays of the photo steps.
    """
    points = shop.days_from_passing()
    calendar, now = shop.studio().calendar, shop.now()
    if points is None or day <= calendar.day_of(now):
        return ""
    pace = shop.pace()
    photos = sum(pace[step][0] for step in PHOTO_STEPS)
    left = (calendar.start_of(day) - now) / 86_400 - photos
    chance = chance_within(np.asarray(points), left)
    word = (
        "Hardly to be done"
        if chance < 0.05
        else f"About {round(chance * 10)} in 10 to be ready"
        if chance < 0.9
        else "Very likely to be ready"
    )
    return (
        f"{word} by then, if photos come and pass within {round(photos)} days as they usually do."
    )


def chance_within(points: Floats, days: float) -> float:
    """The share of the forecast that lies within some days: straight lines between the points,
    from nothing at once, and at most the last point's share beyond it."""
    if days <= 0:
        return 0.0
    return float(np.interp(days, np.concatenate(([0.0], points)), np.concatenate(([0.0], POINTS))))


def _points_of(
    known: record.Record,
    open_orders: list[int],
    entering: tuple[Floats, str],
    defaults: Defaults,
    now: int,
) -> dict[int, tuple[Floats, str]]:
    """Each open order's points, in days, and what they rest on; `entering` before photos pass."""
    pieces = forecast_pieces(known.log, now, defaults, np.random.default_rng(SEED))
    passing = record.WAY.index(Step.FINISHING)
    waiting = {known.order_of[piece.piece] for piece in pieces if piece.step < passing}
    found = {o.order: (o.days, o.basis) for o in forecast_orders(pieces, known.order_of)}
    return {
        order: entering if order in waiting else found.get(order, entering) for order in open_orders
    }


def _store(
    shop: Workshop, known: record.Record, found: Mapping[int, tuple[Floats, str]], now: int
) -> None:
    rows = [
        {
            "order_id": order,
            "at": now,
            "points": points_json(days),
            "basis": _BASIS[basis],
            "inputs": str(known.last_transition),
        }
        for order, (days, basis) in found.items()
    ]
    if not rows:
        return
    with shop.house.writing() as db:
        changed = _changed(db, rows)
        db.execute(_STORE, rows)
        # What moved while this was computed is computed again soon.
        moved = list(db.execute(_MOVED_SINCE, {"last": known.last_transition}).scalars())
        if moved:
            db.execute(_STALE_AGAIN, {"ids": moved})
        if changed:
            db.execute(_PAGES, {"ids": changed})
    shop.changed.set()


def _changed(db: Connection, rows: list[dict[str, object]]) -> list[object]:
    """The orders whose stored forecast lagged behind or says something else now."""
    before = {
        row.order_id: (row.points, row.stale)
        for row in db.execute(select(forecasts.c.order_id, forecasts.c.points, forecasts.c.stale))
    }
    return [row["order_id"] for row in rows if before.get(row["order_id"]) != (row["points"], 0)]


def points_json(days: Floats) -> str:
    """Points as they are stored: percent to days, to a hundredth of a day."""
    return json.dumps(
        {
            f"{level:.0%}".rstrip("%"): round(float(d), 2)
            for level, d in zip(POINTS, days, strict=True)
        }
    )


def missing(shop: Workshop) -> bool:
    """Whether an open order has never had a forecast: so it is in a studio just invented."""
    query = text(
        "SELECT 1 FROM orders o LEFT JOIN forecasts f ON f.order_id = o.id"
        " WHERE o.open = 1 AND coalesce(f.inputs, '') = '' LIMIT 1"
    )
    with shop.house.reading() as db:
        return db.execute(query).first() is not None


def run(shop: Workshop, stop: threading.Event) -> None:
    """Keep forecasts and usual stays in step until `stop` is set. Meant for a thread."""
    seen, at = -1, 0
    # What is usual is counted in a moment; the ranges take longer.
    with shop.house.reading() as db:
        shop.set_forecast(record.pace_of(db, shop.now()), {})
    while not stop.is_set():
        now = shop.now()
        with shop.house.reading() as db:
            newest = record.last_transition(db)
        waited = now - at
        if (newest != seen and waited >= LEAST_BETWEEN) or waited >= MOST_BETWEEN:
            compute(shop)
            seen, at = newest, now
        stop.wait(LOOK_EVERY)
