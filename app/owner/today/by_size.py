"""The last day on which photos must pass for a day, by the size of what is made.

The forecast of an order that has not begun knows no size. Where enough pieces of a size have left,
their own days from the photos' passing say how it was for them: Kaplan and Meier's curve, with what
is still here counted as censored.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from sqlalchemy import Connection, text

from app.flow.after.cases import OF_CASES
from app.leadtimes.survival import kaplan_meier
from app.owner.figures import ENOUGH
from app.owner.today.store import MOVES
from app.shared.calendar import DAY, Calendar

DAYS_BACK = 730
PERCENTS = (50, 85)
# A piece made again is the last of its chain: its days run on from the same passing.
_PIECES = text(
    "SELECT c.size_mm AS size, max(coalesce(c.passed_at, m.passed_at), o.taken_at) AS passed_at,"  # noqa: S608
    f" (SELECT max(v.at) FROM ({MOVES}) v WHERE v.copy_id = c.id AND v.to_step = 'handed_over')"
    " AS left_at, c.step, c.last_at FROM copies c JOIN orders o ON o.id = c.order_id"
    " JOIN models m ON m.id = c.model_id WHERE c.withdrawn = 0 AND c.step <> 'replaced'"
    f" AND c.id NOT IN ({OF_CASES}) AND o.imported = 0 AND c.size_mm IS NOT NULL"
    " AND coalesce(c.passed_at, m.passed_at) >= :since"
)


@dataclass(frozen=True, slots=True)
class OfASize:
    """A size in mm: how many pieces of it have left, and the last day (None: not known yet) on
    which photos must pass for half of such pieces to leave in time, and for 85 in 100."""

    size: int
    left: int
    even: date | None
    sure: date | None


def last_by_size(db: Connection, calendar: Calendar, leave: date, now: int) -> list[OfASize]:
    """By size, the last days for something to leave on `leave`; sizes of which enough have left."""
    rows = db.execute(_PIECES, {"since": now - DAYS_BACK * DAY}).all()
    end = calendar.start_of(leave + timedelta(days=1))
    found = []
    for size in sorted({row.size for row in rows}):
        own = [row for row in rows if row.size == size]
        left = sum(row.left_at is not None for row in own)
        if left < ENOUGH:
            continue
        days = _quantiles(own, now)
        even, sure = (
            calendar.day_of(end - round(day * DAY)) if np.isfinite(day) else None for day in days
        )
        found.append(OfASize(size, left, even, sure))
    return found


def _quantiles(rows: Sequence[Any], now: int) -> list[float]:
    """Days from passing to leaving at PERCENTS; infinite where the curve never falls so far."""
    ends, seen = [], []
    for row in rows:
        until = row.left_at or (row.last_at if row.step == "cancelled" else now)
        ends.append(max(0, until - row.passed_at) / DAY)
        seen.append(row.left_at is not None)
    curve = kaplan_meier(np.array(ends), np.array(seen))
    return [float(curve.quantile(percent / 100)) for percent in PERCENTS]
