"""The figures of a studio's day, worked out by a child process: `python -m app.orders.figuring`.

The server asks for them and goes on answering: half a second to some seconds of arithmetic would
hold up every page. The child reads the database, prints one line of JSON and ends.
"""

import json
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from sqlalchemy import select

from app.flow.steps import Step
from app.leadtimes.forecast.defaults import Defaults
from app.leadtimes.forecast.levels import POINTS
from app.leadtimes.forecast.orders import forecast_orders
from app.leadtimes.forecast.pieces import forecast_from_entering, forecast_pieces
from app.leadtimes.survival import Floats
from app.orders import record
from app.shared.database import Database
from app.tables import orders

SEED = 1


@dataclass(frozen=True, slots=True)
class Figures:
    """What was worked out, up to the entry `last` of the log.

    `orders` maps an open order to its days at the forecast's points and to what they rest on;
    `entering` holds the days from the photos' passing; `pace` a step's usual and slow days, and
    whether they are the studio's own.
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
            open_orders = db.execute(select(orders.c.id).where(orders.c.open == 1)).scalars().all()
    finally:
        house.close()
    pace, defaults = record.pace_of(known, now), record.defaults()
    entering = forecast_from_entering(known.log, record.WAY.index(Step.FINISHING), now, defaults)
    found = _points_of(known, list(open_orders), entering, defaults, now)
    return Figures(
        last=known.last_transition,
        orders={order: (_days(days), basis) for order, (days, basis) in found.items()},
        entering=_days(entering[0]),
        pace={str(step): values for step, values in pace.items()},
    )


def _days(points: Floats) -> list[float]:
    assert points.size == POINTS.size
    return [round(float(day), 2) for day in points]


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


def main() -> None:
    """Read a database's path and a moment from the arguments; print the figures as JSON."""
    found = figure(Path(sys.argv[1]), int(sys.argv[2]))
    print(json.dumps(asdict(found)))  # noqa: T201  (the answer of this process)


if __name__ == "__main__":
    main()
