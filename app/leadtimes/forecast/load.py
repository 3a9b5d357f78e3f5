"""The work in front of a piece: how many others stand before it, at any moment of the log."""

import numpy as np

from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.log import Ints
from app.leadtimes.survival import Floats


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
    stay, at = _open_at_all(paths, times)
    before = _entered_earlier(paths.step[stay], paths.entered[stay], at)
    # Rows of one moment stand together, in order of stay: so a stay's row at a moment is found.
    row = np.searchsorted(at * paths.step.size + stay, when * paths.step.size + moments.stay)
    counts = np.zeros((times.size, int(place.max()) + 1), dtype=np.int64)
    np.add.at(counts, (at, place[paths.step[stay]]), 1)
    nearer = np.cumsum(counts, axis=1) - counts
    found: Floats = (before[row] + nearer[when, place[paths.step[moments.stay]]]).astype(float)
    return found


def _open_at_all(paths: Paths, times: Floats) -> tuple[Ints, Ints]:
    """`Paths.open_at` for many rising times: stays, and the place of the time; by time, by stay."""
    begin = np.maximum(paths.entered, paths.watched[paths.piece])
    gone = np.minimum(paths.following, paths.ended[paths.piece])
    first, last = np.searchsorted(times, begin, "left"), np.searchsorted(times, gone, "left")
    count = np.maximum(last - first, 0)
    stay = np.repeat(np.arange(count.size), count)
    at = np.arange(stay.size) - np.repeat(np.cumsum(count) - count - first, count)
    order = np.lexsort((stay, at))
    return stay[order], at[order]


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
