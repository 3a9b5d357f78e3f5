"""Ranges for the open pieces of a log today: the forecast as the rest of the house asks for it."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.blend import Blend, basis, finished_by, rehearsal_days
from app.leadtimes.forecast.curves import PRIOR, fit_since_step
from app.leadtimes.forecast.defaults import Defaults, scaled, vague
from app.leadtimes.forecast.levels import LEVELS, POINTS, at_levels, level_of
from app.leadtimes.forecast.paths import Moments, Paths, paths_of
from app.leadtimes.log import DAY, Ints, StayLog
from app.leadtimes.survival import Floats

REHEARSALS: Final = 12
REHEARSAL_TREES: Final = 20  # a record can be learnt from with a smaller forest


@dataclass(frozen=True)
class Forecast:
    """What remains of one piece: `days` at POINTS (5, 10, 25, 50, 75, 85, 90, 95 %).

    `levels` holds the same range at all LEVELS, for whatever is combined from it. `basis` says what
    it rests on: `defaults`, `blend` or `own`.
    """

    piece: int
    step: int
    days: Floats
    levels: Floats
    basis: str


@dataclass(frozen=True)
class CameTrue:
    """Where in ranges given earlier pieces ended: `level`
    (0 to 1) of `piece`, in the range of the moment `at`.

    One entry a finished piece and day on which it was open and the blend spoke; `at` in days from
    any start.
    """

    piece: Ints
    at: Floats
    level: Floats


def forecast_with_record(
    history: StayLog, now: float, defaults: Defaults | None, generator: Generator
) -> tuple[list[Forecast], CameTrue]:
    """A range for every piece open at `now` (epoch seconds).

    The blend first rehearses on earlier days of the same history, each from what was known then, so
    that its weights and its coverage rest on a record. What the log holds after `now` is not looked
    at. `defaults` tell what to expect while fewer than 20 pieces have finished; without them a very
    wide guess stands in. With the ranges comes what the rehearsals said of pieces that have
    finished.
    """
    paths = paths_of(history)
    today = (now - paths.base) / DAY
    moments = paths.open_at(today)
    if not len(moments):
        return [], CameTrue(moments.stay, moments.at, moments.at)
    expected = defaults and scaled(defaults, paths, today)
    blend = _rehearsed(paths, today, expected, generator)
    told, _ = blend.issue(today, moments)
    finished = finished_by(paths, today).tolist()
    other = expected is not defaults
    days = at_levels(told, POINTS)
    ranges = [
        Forecast(
            int(paths.number[paths.piece[stay]]),
            int(paths.step[stay]),
            days[row],
            told[row],
            basis(finished[paths.step[stay]], scaled=other),
        )
        for row, stay in enumerate(moments.stay.tolist())
    ]
    return ranges, _came_true(paths, blend, today)


def _came_true(paths: Paths, blend: Blend, today: float) -> CameTrue:
    moments = blend.record.moments
    days, seen = paths.known_on(today, moments)
    piece = paths.number[paths.piece[moments.stay[seen]]]
    return CameTrue(piece, moments.at[seen], level_of(blend.told[seen], days[seen]))


def _rehearsed(
    paths: Paths, today: float, defaults: Defaults | None, generator: Generator
) -> Blend:
    """A blend that has gone through earlier days of the history."""
    blend = Blend(paths, generator, defaults)
    for earlier in rehearsal_days(paths, today, REHEARSALS):
        moments = paths.open_at(earlier)
        if len(moments):
            blend.issue(earlier, moments, REHEARSAL_TREES)
    return blend


def forecast_from_entering(
    history: StayLog, step: int, now: float, defaults: Defaults | None
) -> tuple[Floats, str]:
    """Days from entering `step` to the end at LEVELS, and the basis: for what is still to enter it.

    It is the Kaplan-Meier curve of all entries into the step so far, drawn towards the pool of all
    steps.
    """
    paths = paths_of(history)
    today = (now - paths.base) / DAY
    finished = int(finished_by(paths, today)[step])
    share = min(finished / 20, 1.0)
    expected = (scaled(defaults, paths, today) if defaults else None) or vague(paths, today)
    told = np.zeros((1, LEVELS.size))
    if finished:
        hazard = fit_since_step(paths, today, PRIOR).hazards[step]
        told = share * hazard.whole(LEVELS)[None]
    if share < 1:
        entering = _entering(paths, step)
        told = told + (1 - share) * expected.predict(*entering)
    return told[0], basis(finished, scaled=defaults is not None and expected is not defaults)


def _entering(paths: Paths, step: int) -> tuple[Paths, Moments]:
    """A made-up piece that is just entering the step."""
    one = np.zeros(1, dtype=np.int64)
    none = np.zeros(1)
    made_up = Paths(
        paths.base, paths.steps, one, one + step, none, none + np.inf, none + np.inf, one, one, one,
        one - 1, none, none, none + np.inf, one > 0, one, none, np.zeros((1, 0)), one > 0,
    )  # fmt: skip
    return made_up, Moments(one, none)
