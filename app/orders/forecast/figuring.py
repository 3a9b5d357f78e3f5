"""The figures of a studio's day: the child process `python -m app.orders.forecast.figuring`.

The server asks for them and goes on answering: half a second to some seconds of arithmetic would
hold up every page. The child reads the database, prints one line of JSON and ends.
"""

import json
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, replace
from datetime import date, datetime
from functools import cache
from pathlib import Path
from types import MappingProxyType

import numpy as np
from sqlalchemy import Connection, text

from app.flow.steps import MAKING_STEPS, Step
from app.leadtimes.forecast.levels import POINTS, at_levels
from app.leadtimes.forecast.orders import correlation_of, forecast_orders
from app.leadtimes.forecast.pieces import Forecast, forecast_from_entering, forecast_with_record
from app.leadtimes.log import DAY
from app.leadtimes.open_time import OpenTime, opened
from app.leadtimes.survival import Floats
from app.orders.forecast import record
from app.orders.forecast.open_days import open_time
from app.orders.forecast.worker import Figures
from app.shared.calendar import Calendar
from app.shared.database import Database
from app.studio import store
from app.studio.rules import StudioSettings

SEED = 1
_OPEN_ORDERS = text(
    "SELECT o.id, EXISTS (SELECT 1 FROM copies c WHERE c.order_id = o.id AND c.open = 1"
    " AND c.step IN (SELECT value FROM json_each(:here))) AS here FROM orders o WHERE o.open = 1"
)
_HERE = json.dumps([str(step) for step in (Step.NOT_BEGUN, *MAKING_STEPS)])


def figure(studio: Path, now: int) -> Figures:
    """Work everything out from a studio's database. `now` in UTC seconds."""
    database = Database(studio)
    try:
        with database.reading() as db:
            known = record.read(db)
            settings = store.load(db)
            calendar = _calendar(db, settings, now)
            open_orders = db.execute(_OPEN_ORDERS, {"here": _HERE}).all()
    finally:
        database.close()
    waiting = [order for order, here in open_orders if here]
    resting = {
        piece: float(calendar.start_of(date.fromisoformat(day)))
        for piece, day in known.resting.items()
    }
    time = open_time(calendar, known.log, now)
    ours = settings.usual_weeks()
    found, entering = ranges_of(known, waiting, time, now, resting, ours)
    gone: dict[int, tuple[list[float], str]] = {order: ([], "") for order, here in open_orders
                                                if not here}  # fmt: skip
    return Figures(
        last=known.last_transition,
        orders=gone | found,
        entering=entering,
        pace={str(step): values for step, values in record.pace_of(known, now).items()},
    )


def ranges_of(
    known: record.StayRecord,
    open_orders: Iterable[int],
    time: OpenTime,
    now: int,
    resting: Mapping[int, float] = MappingProxyType({}),
    our_weeks: tuple[int, int] | None = None,
) -> tuple[dict[int, tuple[list[float], str]], list[float]]:
    """Each open order's points in days and what they rest on, and the points from photos' passing.

    An order whose photos have not all passed has the latter, as if they passed today: of the last
    of its pieces, those that have passed standing where they are. What is on hold until a moment
    of `resting` goes on then, and no sooner than as something that enters its step. All of it is
    reckoned in open time and told in real days. `our_weeks` stand in the place of what is usual in
    the trade.
    """
    log, today = opened(known.log, time), float(time.to_open(now))
    defaults = record.defaults(our_weeks)
    passing = record.WAY.index(Step.FINISHING)
    generator = np.random.default_rng(SEED)
    entering = cache(lambda step: forecast_from_entering(log, step, today, defaults))
    levels, basis = entering(passing)
    from_passing = _days(time, now, at_levels(levels[None], POINTS)[0]), basis
    pieces, earlier = forecast_with_record(log, today, defaults, generator)
    rest = {piece: (float(time.to_open(until)) - today) / DAY for piece, until in resting.items()}
    pieces = [_going_on(piece, passing, rest.get(piece.piece, 0.0), entering) for piece in pieces]
    together = correlation_of(earlier, known.order_of)
    found = {
        order.order: (_days(time, now, order.days), order.basis)
        for order in forecast_orders(pieces, known.order_of, together)
    }
    return {order: found.get(order, from_passing) for order in open_orders}, from_passing[0]


def _going_on(
    piece: Forecast, passing: int, rest: float, entering: Callable[[int], tuple[Floats, str]]
) -> Forecast:
    """A piece's range with what is known of it today and was not of those before it.

    Before `passing` it has the range from there; on hold for `rest` more open days, one that is no
    sooner than if it entered its step after them.
    """
    if piece.step < passing:
        levels, basis = entering(passing)
        return replace(piece, levels=levels, basis=basis)
    if rest > 0:
        return replace(piece, levels=np.maximum(piece.levels, rest + entering(piece.step)[0]))
    return piece


def _days(time: OpenTime, now: int, points: Floats) -> list[float]:
    assert points.size == POINTS.size
    return [round(float(day), 2) for day in time.days_after(now, points)]


def _calendar(db: Connection, settings: StudioSettings, now: int) -> Calendar:
    return store.calendar(db, settings, datetime.fromtimestamp(now, settings.zone_info()).year)


def main() -> None:
    """Read a database's path and a moment from the arguments; print the figures as JSON."""
    found = figure(Path(sys.argv[1]), int(sys.argv[2]))
    print(json.dumps(asdict(found)))  # noqa: T201  (the answer of this process)


if __name__ == "__main__":
    main()
