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

from app.leadtimes.forecast.curves import ByStep, Hazard, hazard_of
from app.leadtimes.forecast.levels import LEVELS
from app.leadtimes.forecast.load import in_front
from app.leadtimes.forecast.paths import Moments, Paths
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
            multiple = self.multiples[code].remaining(np.zeros(1), LEVELS)
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
    nothing = np.zeros(1)
    to_go = np.array([h.remaining(nothing, MIDDLE)[0, 0] for h in since_step.hazards])
    line = LineInFront(paths, since_step, to_go, None)
    rows = paths.landmarks
    rows = rows[rows.at < now]
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
    hazards = []
    for code in range(paths.steps):
        mine = step == code
        hazards.append(hazard_of(multiple[mine], seen[mine], entry[mine], pool, prior))
    return LineInFront(paths, since_step, to_go, tuple(hazards))


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
