"""The figures of a studio's day, worked out by a child process: `python -m app.orders.figuring`.

The server asks for them and goes on answering: half a second to some seconds of arithmetic would
hold up every page. The child reads the database, prints one line of JSON and ends.
"""

import json
import sys
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
from sqlalchemy import Connection, text

from app.flow.steps import MAKING_STEPS, Step
from app.leadtimes.forecast.levels import POINTS, at_levels
from app.leadtimes.forecast.orders import correlation_of, forecast_orders
from app.leadtimes.forecast.pieces import forecast_from_entering, forecast_with_record
from app.leadtimes.open_time import OpenTime, opened
from app.leadtimes.survival import Floats
from app.orders import record
from app.orders.open_days import open_time
from app.shared.calendar import Calendar
from app.shared.database import Database
from app.studio import store

SEED = 1
_OPEN_ORDERS = text(
    "SELECT o.id, EXISTS (SELECT 1 FROM copies c WHERE c.order_id = o.id AND c.open = 1"
    " AND c.step IN (SELECT value FROM json_each(:here))) AS here FROM orders o WHERE o.open = 1"
)
_HERE = json.dumps([str(step) for step in (Step.NOT_BEGUN, *MAKING_STEPS)])


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


def figure(studio: Path, now: int) -> Figures:
    """Work everything out from a studio's database. `now` in UTC seconds."""
    house = Database(studio)
    try:
        with house.reading() as db:
            known = record.read(db)
            calendar = _calendar(db, now)
            open_orders = db.execute(_OPEN_ORDERS, {"here": _HERE}).all()
    finally:
        house.close()
    waiting = [order for order, here in open_orders if here]
    found, entering = ranges_of(known, waiting, open_time(calendar, known.log, now), now)
    gone: dict[int, tuple[list[float], str]] = {order: ([], "") for order, here in open_orders
                                                if not here}  # fmt: skip
    return Figures(
        last=known.last_transition,
        orders=gone | found,
        entering=entering,
        pace={str(step): values for step, values in record.pace_of(known, now).items()},
    )


def ranges_of(
    known: record.Record, open_orders: Iterable[int], time: OpenTime, now: int
) -> tuple[dict[int, tuple[list[float], str]], list[float]]:
    """Each open order's points in days and what they rest on, and the points from photos' passing.

    An order whose photos have not all passed has the latter, as if they passed today: of the last
    of its pieces, those that have passed standing where they are. All of it is reckoned in open
    time and told in real days.
    """
    log, today = opened(known.log, time), float(time.to_open(now))
    defaults = record.defaults()
    passing = record.WAY.index(Step.FINISHING)
    generator = np.random.default_rng(SEED)
    levels, basis = forecast_from_entering(log, passing, today, defaults)
    entering = _days(time, now, at_levels(levels[None], POINTS)[0]), basis
    pieces, earlier = forecast_with_record(log, today, defaults, generator)
    passed = [
        replace(piece, levels=levels, basis=basis) if piece.step < passing else piece
        for piece in pieces
    ]
    together = correlation_of(earlier, known.order_of)
    found = {
        order.order: (_days(time, now, order.days), order.basis)
        for order in forecast_orders(passed, known.order_of, together)
    }
    return {order: found.get(order, entering) for order in open_orders}, entering[0]


def _days(time: OpenTime, now: int, points: Floats) -> list[float]:
    assert points.size == POINTS.size
    return [round(float(day), 2) for day in time.days_after(now, points)]


def _calendar(db: Connection, now: int) -> Calendar:
    settings = store.load(db)
    return store.calendar(db, settings, datetime.fromtimestamp(now, settings.zone_info()).year)


def main() -> None:
    """Read a database's path and a moment from the arguments; print the figures as JSON."""
    found = figure(Path(sys.argv[1]), int(sys.argv[2]))
    print(json.dumps(asdict(found)))  # noqa: T201  (the answer of this process)


if __name__ == "__main__":
    main()
