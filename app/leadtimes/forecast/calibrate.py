"""Coverage that corrects itself: which level to read so that the level asked for is what holds.

Two corrections, both from the blend's own past ranges, both bounded:

1. The level map. Where in its range a piece ended is a level; were the ranges right, these levels
would be even. Their Kaplan-Meier curve (a piece still open has got at least so far) says at which
level a share q of the pieces had ended, and that level is read for q: split conformal prediction of
whole distributions (Chernozhukov, Wuthrich & Zhu 2021) with censored scores. Older rows fade, and
the map is drawn towards "as it is" while few pieces have finished, and towards the middle, where
the blend's weights were learnt on the very loss that counts there: it is the ends that hold too
often or too seldom.

2. The steps. Adaptive conformal inference (Gibbs & Candes 2021): after every hit the level sinks a
little, after every miss it rises, so that in the long run the misses come out right whatever
drifts. A row is judged for a level on the day on which that level's own time is up: then it is
known to be a hit or a miss although the piece may still be open, and quick pieces do not report
before slow ones. All rows of a piece that are judged on one day count as one step.
"""

from typing import Final

import numpy as np

from app.leadtimes.forecast.levels import HIGHEST, LEVELS, level_of
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.survival import Bools, Floats

TRUST: Final = 200.0  # pieces after which the map counts half
FADES: Final = 5.0  # typical remaining times in which a row's weight halves
STEP: Final = 0.001
MOST_STEPS: Final = 0.02
MOST: Final = 0.15
OUTER: Final = 0.35  # from so far off the middle on, the map is followed in full


def mapped_levels(
    paths: Paths, moments: Moments, ranges: Floats, now: float, trust: float = TRUST
) -> Floats:
    """The level to read for each of LEVELS, by past ranges (moments x LEVELS) and their ends."""
    days, seen = paths.known_on(now, moments)
    if not seen.any():
        return LEVELS
    fade = FADES * max(float(np.median(days[seen])), 1e-9)
    weight = 0.5 ** ((now - moments.at) / fade)
    reached, share = _weighted_curve(level_of(ranges, days), seen, weight)
    found = np.interp(
        LEVELS, np.concatenate(([0], share, [1])), np.concatenate(([0], reached, [1]))
    )
    found = np.where(share[-1] >= LEVELS, found, LEVELS)  # beyond what is known: as it is
    pieces = _effective_pieces(paths.piece[moments.stay][seen], weight[seen])
    outward = np.minimum(np.abs(LEVELS - 0.5) / OUTER, 1.0)
    return LEVELS + outward * pieces / (pieces + trust) * (found - LEVELS)


def _effective_pieces(piece: np.ndarray, weight: Floats) -> float:
    """How many evenly weighted pieces the rows are worth (Kish 1965); rows of one piece are one."""
    each = np.bincount(piece, weight)
    return float(each.sum() ** 2 / (each**2).sum())


def stepped(
    steps: Floats, paths: Paths, moments: Moments, told: Floats, since: float, now: float
) -> Floats:
    """The running corrections of LEVELS after what was judged in (since, now]."""
    due = moments.at[:, None] + told
    ended = paths.ended[paths.piece[moments.stay]]
    finished = paths.finished[paths.piece[moments.stay]]
    judged = (due > since) & (due <= now) & (finished | (ended > now))[:, None]
    miss = (np.where(finished, ended, np.inf)[:, None] > due) - (1 - LEVELS)
    _, piece = np.unique(paths.piece[moments.stay], return_inverse=True)
    after = steps.copy()
    for level in np.flatnonzero(judged.any(axis=0)):
        rows = judged[:, level]
        count = np.bincount(piece[rows])
        total = np.bincount(piece[rows], miss[rows, level])
        after[level] += STEP * float((total[count > 0] / count[count > 0]).sum())
    return np.clip(after, -MOST_STEPS, MOST_STEPS)


def levels_to_read(mapped: Floats, steps: Floats) -> Floats:
    """Both corrections together, no further than MOST from the level asked for, and in order."""
    asked = np.clip(mapped + steps, LEVELS - MOST, LEVELS + MOST)
    ordered: Floats = np.maximum.accumulate(np.clip(asked, 1 - HIGHEST, HIGHEST))
    return ordered


def _weighted_curve(values: Floats, seen: Bools, weight: Floats) -> tuple[Floats, Floats]:
    """Weighted Kaplan-Meier: rising values and the share that had ended by each."""
    order = np.lexsort((~seen, values))
    weight = weight[order]
    at_risk = np.cumsum(weight[::-1])[::-1]
    share = np.where(seen[order], weight / at_risk, 0.0)
    ended: Floats = 1 - np.cumprod(1 - np.minimum(share, 1.0))
    return values[order], ended
