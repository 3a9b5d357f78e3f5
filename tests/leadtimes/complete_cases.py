"""What leaving out open pieces would say: the curve of `reached`, fitted on finished pieces alone."""

import numpy as np

from app.leadtimes.forecast.curves import ByStep, fit_reached
from app.leadtimes.forecast.paths import Paths, paths_of
from app.leadtimes.log import DAY, FINISHED, StayLog, cases, make_log


def complete_cases(log: StayLog, paths: Paths, now: float) -> ByStep:
    """Fitted on the pieces that had finished by `now` (days of `paths`, which are the log's)."""
    moment = paths.base + now * DAY
    pieces = cases(log)
    done = pieces.piece[(pieces.outcome == FINISHED) & (pieces.ended <= moment)]
    kept = np.isin(log.piece, done)
    only = paths_of(
        make_log(
            log.piece[kept], log.step[kept], log.entered[kept], log.left[kept], steps=log.steps,
            watched_from=None if log.watched_from is None else log.watched_from[kept],
        )
    )  # fmt: skip
    hazards = fit_reached(only, (moment - only.base) / DAY, prior=0.0).hazards
    return ByStep(paths, hazards, since_step=False)
