"""The line in front of a piece: how many must end before it, at the pace at which pieces end today.

By Little's law (Little 1961) what stands in front of a piece takes as long as the house needs to
end that many. The figure follows a swelling house at once, where curves of finished pieces learn of
it a lead time later. Pieces do overtake, so it is only a yardstick: the method tells which multiple
of it pieces needed, step by step. A multiple knows no date, and what tells the date is what leads
learners astray near the day of a forecast.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.leadtimes.forecast.curves import ByStep, Hazard, hazard_of, hazards_by_step
from app.leadtimes.forecast.levels import LEVELS
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.log import Ints
from app.leadtimes.survival import Floats

LAST_ENDS: Final = 30  # the pace is that of the last so many ends, given up or finished
PRIOR: Final = 8.0  # pieces by which a step's multiples are drawn towards those of all steps
MIDDLE: Final = np.array([0.5])


@dataclass(frozen=True)
class LineInFront:
    """Multiples of the yardstick that pieces needed from each step; `to_go` puts steps in order."""

    paths: Paths
    since_step: ByStep
    to_go: Floats
    multiples: tuple[Hazard, ...] | None

    def predict(self, moments: Moments) -> Floats:
        """Days that remain, moments x LEVELS; `since_step`'s where nothing has ended yet."""
        said = self.since_step.predict(moments)
        if self.multiples is None:
            return said
        yardstick = self.days_in_line(moments)
        step = self.paths.step[moments.stay]
        for code in np.unique(step):
            mine = (step == code) & np.isfinite(yardstick)
            multiple = self.multiples[code].whole(LEVELS)
            said[mine] = yardstick[mine, None] * multiple
        return said

    def days_in_line(self, moments: Moments) -> Floats:
        """Days until as many pieces have ended as stand in front of each, itself counted; nan
        before anything has.
        """
        place = in_front(self.paths, moments, self.to_go) + 1
        found: Floats = place / _pace(self.paths, moments.at)
        return found


def fit_line(paths: Paths, now: float, since_step: ByStep) -> LineInFront:
    """From what was open at the landmarks before `now`, those still open counted as such."""
    to_go = np.array([hazard.whole(MIDDLE)[0] for hazard in since_step.hazards])
    line = LineInFront(paths, since_step, to_go, None)
    rows = paths.landmarks(now)
    yardstick = line.days_in_line(rows)
    days, seen = paths.known_on(now, rows)
    told = np.isfinite(yardstick)
    if not (told & seen).any():
        return line
    multiple = days[told] / yardstick[told]
    seen, step = seen[told], paths.step[rows.stay[told]]
    # Rows of one piece are no new evidence: the prior weighs as many rows as its pieces have.
    prior = PRIOR * seen.size / np.unique(paths.piece[rows.stay[told]]).size
    entry = np.full(seen.size, -1.0)
    pool = hazard_of(multiple, seen, entry)
    multiples = hazards_by_step(paths.steps, step, multiple, seen, entry, pool, prior)
    return LineInFront(paths, since_step, to_go, multiples)


def _pace(paths: Paths, at: Floats) -> Floats:
    """Pieces that ended per day, over the last LAST_ENDS ends before each moment; nan before one.

    Before as many have ended, since the log's beginning.
    """
    ends = np.sort(paths.ended[np.isfinite(paths.ended)])
    count = np.searchsorted(ends, at, "right")
    before = count - LAST_ENDS - 1
    since = np.where(before >= 0, np.append(ends, 0.0)[np.maximum(before, 0)], 0.0)
    pace: Floats = np.minimum(count, LAST_ENDS) / np.maximum(at - since, 1e-9)
    return np.where(count > 0, pace, np.nan)


def in_front(paths: Paths, moments: Moments, to_go: Floats) -> Floats:
    """How many other pieces are open at each moment nearer the end: in the same step but entered
    before this one, or in a step with less to go.

    `to_go` gives a step's usual days to the end. Only what was known at the moment counts: who was
    under watch, open, and where. The moments must be of open pieces, as `Paths.open_at` gives them.

    All rows at once: the cost is that of sorting everything that is open at the distinct moments.
    """
    if not len(moments):
        return np.zeros(0)
    times, when = np.unique(moments.at, return_inverse=True)
    place = np.searchsorted(np.unique(to_go), to_go)  # 0 is nearest the end
    stay, at = paths.open_at_all(times)
    before = _entered_earlier(paths.step[stay], paths.entered[stay], at)
    # Rows of one moment stand together, in order of stay: so a stay's row at a moment is found.
    row = np.searchsorted(at * paths.step.size + stay, when * paths.step.size + moments.stay)
    counts = np.zeros((times.size, int(place.max()) + 1), dtype=np.int64)
    np.add.at(counts, (at, place[paths.step[stay]]), 1)
    nearer = np.cumsum(counts, axis=1) - counts
    found: Floats = (before[row] + nearer[when, place[paths.step[moments.stay]]]).astype(float)
    return found


def _entered_earlier(step: Ints, entered: Floats, at: Ints) -> Ints:
    """For each row, the rows of its moment and step with an earlier entering; a tie is none."""
    order = np.lexsort((entered, step, at))
    at, step, entered = at[order], step[order], entered[order]
    group = np.ones(order.size, dtype=bool)
    group[1:] = (at[1:] != at[:-1]) | (step[1:] != step[:-1])
    fresh = group.copy()
    fresh[1:] |= entered[1:] != entered[:-1]
    number = np.arange(order.size)
    starts = np.maximum.accumulate(np.where(group, number, 0))
    ties = np.maximum.accumulate(np.where(fresh, number, 0))
    found = np.empty(order.size, dtype=np.int64)
    found[order] = ties - starts
    return found
