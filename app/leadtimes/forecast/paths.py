"""What is known of every piece on a day: its state at any moment and, by that day, how it went on.

`Paths` holds the whole log in days with, for each stay, what of the piece's past was known on
entering it. Those columns look only backwards, so one `Paths` serves every day of a rolling record;
what is cut at the day is which stays have begun and which ends are known.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.leadtimes.log import DAY, FINISHED, OPEN, Ints, StayLog, cases
from app.leadtimes.survival import Bools, Floats

LANDMARKS: Final = 240  # moments, at most, at which the past is looked at for training
MANY_LANDMARKS: Final = 100  # so many moments are enough for pieces of any length,
FEW_LANDMARKS: Final = 20  # and so many for pieces that last for
LASTS_WEEKS: Final = 28.0  # days: each is met several times all the same
MOST_LANDMARKS: Final = 24_000  # rows; beyond them every other moment is left out


@dataclass(frozen=True)
class Moments:
    """Open pieces at moments: index of the stay each was in, and the moment in days."""

    stay: Ints
    at: Floats

    def __len__(self) -> int:
        return int(self.stay.size)

    def __getitem__(self, which: NDArray[np.bool_] | Ints) -> "Moments":
        return Moments(self.stay[which], self.at[which])


@dataclass(frozen=True)
class Paths:
    """Stays in order of piece and entering. Times in days since `base` (epoch seconds).

    By stay: `piece` (0 ... pieces - 1), `step`, `entered`, `left`, `following` (when the piece's
    next stay began, inf for its last), `nth` stay, `visit` of this step, `reworks` (visits of steps
    seen before), `previous` step (-1 for none), `age` at entering, and `marks` (stays x names). By
    piece: `started`, `ended` (inf while unknown), `finished` (false where cancelled), `number` as
    the log has it, and `watched`: from when on the piece was under watch (-inf from its start).
    Before that nobody could have forecast it. Of a `blurred` piece its beginning, its end and some
    moments at which it came to a step are known, and not where it was in between.
    """

    base: float
    steps: int
    piece: Ints
    step: Ints
    entered: Floats
    left: Floats
    following: Floats
    nth: Ints
    visit: Ints
    reworks: Ints
    previous: Ints
    age: Floats
    started: Floats
    ended: Floats
    finished: Bools
    number: Ints
    watched: Floats
    marks: Floats
    blurred: Bools

    def open_at(self, when: float) -> Moments:
        """Every piece under watch that had entered by `when` and not ended, in its last stay.

        Blurred ones are not among them: nobody can say where they were.
        """
        here = (self.entered <= when) & (when < self.following) & (self.ended[self.piece] > when)
        here &= (self.watched[self.piece] <= when) & ~self.blurred[self.piece]
        stay = np.flatnonzero(here)
        return Moments(stay, np.full(stay.size, when))

    def known_on(self, now: float, moments: Moments) -> tuple[Floats, Bools]:
        """Days from each moment to the piece's end if
        finished by `now`, else for how long it was seen open.

        The second array is true where the end was seen; a cancelled piece is seen no longer.
        """
        piece = self.piece[moments.stay]
        seen = self.ended[piece] <= now
        return np.minimum(self.ended[piece], now) - moments.at, seen & self.finished[piece]

    def open_at_all(self, times: Floats) -> tuple[Ints, Ints]:
        """`open_at` for many rising times: stays, and the place of the time; by time, by stay."""
        begin = np.maximum(self.entered, self.watched[self.piece])
        gone = np.minimum(self.following, self.ended[self.piece])
        first, last = np.searchsorted(times, begin, "left"), np.searchsorted(times, gone, "left")
        count = np.where(self.blurred[self.piece], 0, np.maximum(last - first, 0))
        stay = np.repeat(np.arange(count.size), count)
        at = np.arange(stay.size) - np.repeat(np.cumsum(count) - count - first, count)
        order = np.lexsort((stay, at))
        return stay[order], at[order]

    def landmarks(self, now: float) -> Moments:
        """Everything open at regular moments before `now`: training rows as queries arise.

        Moments of the calendar and not of each case's own life: rows sampled evenly per case would
        hold too many short ones; these hold a piece as often as a forecast is asked of it. They lie
        whole weeks before `now` where that gives enough of them, else whole days: what is seen
        there is seen on the weekday and at the hour of today. So weekends, weekly rounds and dates
        without hours are in it, and yet nothing tells the date.
        """
        if not self.entered.size:
            return Moments(self.piece, self.entered)
        span = now - float(self.started.min())
        done = self.finished & (self.ended <= now)
        lasts = float(np.median((self.ended - self.started)[done])) if done.any() else 0.0
        weeks = span / 7 >= (FEW_LANDMARKS if lasts >= LASTS_WEEKS else MANY_LANDMARKS)
        unit = 7.0 if weeks else 1.0 if span >= FEW_LANDMARKS else span / LANDMARKS
        times = now - _steps_back(span, unit, LANDMARKS)
        stay, at = self.open_at_all(times)
        while times.size > 1 and stay.size > MOST_LANDMARKS:
            times = times[::-2][::-1]
            stay, at = self.open_at_all(times)
        return Moments(stay, times[at])


def _steps_back(span: float, unit: float, most: int) -> Floats:
    """Falling multiples of a unit up to `span`, evenly apart, at most so many of them."""
    count = int(span / unit + 1e-9) if unit > 0 else 0
    step = max(-(-count // most), 1)
    return np.arange(count // step, 0, -1.0) * (step * unit)


def paths_of(log: StayLog) -> Paths:
    """The log as paths of its pieces."""
    whole = cases(log)
    base = float(log.entered.min()) if len(log) else 0.0
    piece = np.searchsorted(whole.piece, log.piece)
    entered = (log.entered - base) / DAY
    first = np.searchsorted(piece, np.arange(whole.piece.size))
    same = np.zeros(len(log), dtype=bool)
    same[1:] = piece[1:] == piece[:-1]
    nth = np.arange(len(log)) - first[piece] if len(log) else log.piece
    visit = _visits(piece, log.step)
    seen_before = np.cumsum(visit > 0)
    started = (whole.started - base) / DAY
    following = np.full(len(log), np.inf)
    following[:-1] = np.where(same[1:], entered[1:], np.inf)
    return Paths(
        base=base,
        steps=len(log.steps),
        piece=piece,
        step=log.step,
        entered=entered,
        left=(log.left - base) / DAY,
        following=following,
        nth=nth,
        visit=visit,
        reworks=seen_before - (seen_before - (visit > 0))[first][piece] if len(log) else log.piece,
        previous=np.where(same, np.roll(log.step, 1), -1),
        age=entered - started[piece],
        started=started,
        ended=np.where(whole.outcome == OPEN, np.inf, (whole.ended - base) / DAY),
        finished=whole.outcome == FINISHED,
        number=whole.piece,
        watched=(_watched(log, first) - base) / DAY,
        marks=np.column_stack([np.zeros((len(log), 0)), *log.marks.values()]),
        blurred=np.zeros(first.size, dtype=bool) if log.blurred is None else log.blurred[first],
    )


def _watched(log: StayLog, first: Ints) -> Floats:
    """From when on each piece was under watch (epoch seconds): the latest that its stays say."""
    if log.watched_from is None or not len(log):
        return np.full(first.size, -np.inf)
    latest: Floats = np.fmax.reduceat(log.watched_from, first)
    return np.where(np.isnan(latest), -np.inf, latest)


def _visits(piece: Ints, step: Ints) -> Ints:
    """How often the piece had been in this step before; stays in order of piece and entering."""
    order = np.lexsort((np.arange(piece.size), step, piece))
    new = np.ones(piece.size, dtype=bool)
    new[1:] = (piece[order][1:] != piece[order][:-1]) | (step[order][1:] != step[order][:-1])
    starts = np.flatnonzero(new)
    count = np.arange(piece.size) - np.repeat(starts, np.diff(np.append(starts, piece.size)))
    visit = np.empty(piece.size, dtype=np.int64)
    visit[order] = count
    return visit
