"""Time as the work knows it: days on which the house is closed hardly count.

A fortnight's closure ahead keeps a piece a fortnight longer, and one behind it explains why a piece
is as old as it is. So moments are mapped to "open" seconds, in which a closed second counts only a
small share of an open one, statistics are made there, and ranges are mapped back. The map rises
strictly, so quantiles go through it as they are.

Ordinary weekends are not taken out: they come round so often that the curves hold them already.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from app.leadtimes.log import StayLog
from app.leadtimes.survival import Floats

# Machines run on, customers answer and carriers drive while the house is closed, but nearly all of
# a piece's way is work of hands (common practice, no source): until the studio's own record tells.
USUAL_SHARE: Final = 0.1
USUAL_WORTH: Final = 20.0  # in stays that would have ended, had the house been open
LEAST_SHARE: Final = 0.02  # some time must pass, or a moment in a closure could not be told


@dataclass(frozen=True)
class OpenTime:
    """The map; `starts` and `ends` (epoch seconds) of closed spans, rising and apart."""

    starts: Floats
    ends: Floats
    share: float = USUAL_SHARE

    def closed_before(self, when: ArrayLike) -> Floats:
        """Closed seconds before each moment; nan for nan."""
        moment = np.asarray(when, dtype=float)
        if not self.starts.size:
            return moment * 0.0
        length = self.ends - self.starts
        before = np.cumsum(length) - length
        span = np.searchsorted(self.starts, moment, "right") - 1
        within = np.minimum(moment - self.starts[span], length[span])
        return np.where(span >= 0, before[span] + within, moment * 0.0)

    def to_open(self, when: ArrayLike) -> Floats:
        """Open seconds of moments: as they are before the first closure, fewer after each."""
        opened: Floats = np.asarray(when, dtype=float) - (1 - self.share) * self.closed_before(when)
        return opened

    def to_real(self, opened: ArrayLike) -> Floats:
        """The moment of each open second: the inverse of `to_open`."""
        asked = np.asarray(opened, dtype=float)
        if not self.starts.size:
            return asked
        first, last = self.to_open(self.starts), self.to_open(self.ends)
        span = np.searchsorted(first, asked, "right") - 1
        inside = self.starts[span] + (asked - first[span]) / self.share
        after = self.ends[span] + (asked - last[span])
        found: Floats = np.where(span < 0, asked, np.where(asked < last[span], inside, after))
        return found

    def days_after(self, now: ArrayLike, open_days: Floats, day: float = 86_400.0) -> Floats:
        """Real days from `now` (epoch seconds, one or as many as fit) until so many open days have
        passed.
        """
        since = np.asarray(now, dtype=float)
        days: Floats = (self.to_real(self.to_open(since) + open_days * day) - since) / day
        return days


def opened(log: StayLog, time: OpenTime) -> StayLog:
    """The log in open time: every moment mapped, everything else as it is."""
    watched = None if log.watched_from is None else time.to_open(log.watched_from)
    return replace(
        log, entered=time.to_open(log.entered), left=time.to_open(log.left), watched_from=watched
    )


def share_when_closed(entered: ArrayLike, left: ArrayLike, closed: OpenTime, now: float) -> float:
    """How fast work goes on while the house is closed, as a share of its usual pace.

    Stays that ended in closed time for each piece-second spent in it, over the same of open time:
    the ratio of two rates, drawn towards USUAL_SHARE as if USUAL_WORTH stays that were expected had
    been seen with it (a gamma prior on a Poisson rate). `left` is nan where a stay is open.
    """
    come, gone = np.asarray(entered, dtype=float), np.asarray(left, dtype=float)
    begun = come <= now
    come, gone = come[begun], gone[begun]
    ended = gone <= now
    until = np.where(ended, gone, now)
    inside = closed.closed_before(until) - closed.closed_before(come)
    spent_closed, spent_open = float(inside.sum()), float((until - come - inside).sum())
    span = np.searchsorted(closed.starts, until[ended], "right") - 1
    there = int(((span >= 0) & (until[ended] < np.append(closed.ends, np.inf)[span])).sum())
    elsewhere = int(ended.sum()) - there
    expected = spent_closed * elsewhere / spent_open if spent_open > 0 else 0.0
    share = (there + USUAL_WORTH * USUAL_SHARE) / (expected + USUAL_WORTH)
    return min(max(share, LEAST_SHARE), 1.0)
