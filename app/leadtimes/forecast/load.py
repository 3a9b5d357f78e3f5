"""The work in front of a piece: how many others stand before it, at any moment of the log."""

import numpy as np

from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.log import Ints
from app.leadtimes.survival import Floats


def in_front(paths: Paths, moments: Moments, known_by: float | None = None) -> Floats:
    """How many other pieces are open at each moment (rows), in three columns:

    0 in the same step, entered before this one; 1 in steps that usually come later; 2 in steps that
    usually come earlier. Only what was known at the moment counts: who was under watch, open, and
    where. Which steps come later is read from the stays that had begun by the day `known_by`, or by
    the latest of the moments. The moments must be of open pieces, as `Paths.open_at` gives them.

    All rows at once: the cost is that of sorting everything that is open at the distinct moments.
    """
    if not len(moments):
        return np.zeros((0, 3))
    times, when = np.unique(moments.at, return_inverse=True)
    place = _places(paths, float(times[-1]) if known_by is None else known_by)
    stay, at = _open_at_all(paths, times)
    before = _entered_earlier(paths.step[stay], paths.entered[stay], at)
    # Rows of one moment stand together, in order of stay: so a stay's row at a moment is found.
    row = np.searchsorted(at * paths.step.size + stay, when * paths.step.size + moments.stay)
    counts = np.zeros((times.size, int(place.max()) + 1), dtype=np.int64)
    np.add.at(counts, (at, place[paths.step[stay]]), 1)
    upto = np.cumsum(counts, axis=1)
    here = place[paths.step[moments.stay]]
    later = upto[when, -1] - upto[when, here]
    earlier = upto[when, here] - counts[when, here]
    return np.column_stack((before[row], later, earlier)).astype(float)


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


def _places(paths: Paths, known_by: float) -> Ints:
    """Each step's place among the steps, by the mean number of the stays before its first visit.

    A step that nobody had entered by then stands with the first.
    """
    first = (paths.visit == 0) & (paths.entered <= known_by)
    count = np.bincount(paths.step[first], minlength=paths.steps)
    total = np.bincount(paths.step[first], paths.nth[first], minlength=paths.steps)
    mean = total / np.maximum(count, 1)
    return np.searchsorted(np.unique(mean), mean)
