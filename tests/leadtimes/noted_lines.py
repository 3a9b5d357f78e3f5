"""Made-up lines whose moments are noted coarsely, or whose days differ; times in days, each from a
seeded generator.
"""

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.log import DAY, StayLog, make_log
from tests.leadtimes.lines import START, Stay, cut, line, poisson
from tests.leadtimes.more_lines import office


def weekly_dates(g: Generator) -> StayLog:
    """Two thirds of a year of steady intake, every moment noted as the week it fell in."""
    arrivals = poisson(g, 480, 2.0)
    log = cut(line(g, arrivals, [2, 6, 400, 8], [0.8, 2.6, 9.0, 3.4]), 240.0)
    week = 7 * DAY
    entered, left = (START + (t - START) // week * week for t in (log.entered, log.left))
    return make_log(log.piece, log.step, entered, left, steps=log.steps)


def short_and_steady(g: Generator) -> StayLog:
    """Two thirds of a year without lines: nothing but the stays themselves."""
    return cut(line(g, poisson(g, 500, 2.0), [500] * 5, [1, 5, 9, 4, 2], spread=0.8), 240.0)


def batches(g: Generator) -> StayLog:
    """A kiln is fired every fourteenth day and holds twenty; hands work before and after it."""
    ready = sorted(
        (when + 4 * g.lognormal(-0.1, 0.5), piece, when)
        for piece, when in enumerate(poisson(g, 800, 1.2).tolist())
    )
    stays: list[Stay] = []
    held: dict[int, int] = {}
    for done, piece, when in ready:
        firing = int(np.ceil(done / 14))
        while held.get(firing, 0) >= 20:
            firing += 1
        held[firing] = held.get(firing, 0) + 1
        out = firing * 14 + 1.0
        end = out + 6 * g.lognormal(-0.1, 0.5)
        stays += [(piece, 0, when, done), (piece, 1, done, out), (piece, 2, out, end)]
    return cut(sorted(stays), 660.0)


def office_week(g: Generator) -> StayLog:
    """Office hours, and nothing at weekends."""
    stays: list[Stay] = []
    for piece, when in enumerate(poisson(g, 900, 4.0).tolist()):
        here = when
        for step, hours in enumerate((2, 10, 16, 6)):
            end = office(here, hours * g.lognormal(-0.2, 0.7))
            stays.append((piece, step, here, end))
            here = end
    return cut(stays, 225.0)


def waits_for_customers(g: Generator) -> StayLog:
    """One in six waits for its customer, some for very long; a few are given up."""
    stays: list[Stay] = []
    gone: dict[int, float] = {}
    for piece, when in enumerate(poisson(g, 900, 1.5).tolist()):
        here = when
        for step, mean in enumerate((3, 20, 8, 5)):
            if step == 1 and g.random() > 0.17:
                continue
            end = here + mean * (g.lognormal(0, 1.4) if step == 1 else g.lognormal(-0.2, 0.7))
            stays.append((piece, step, here, end))
            here = end
        if g.random() < 0.04:
            gone[piece] = float(when + g.exponential(30))
    return cut(stays, 600.0, gone)


NOTED: Final[dict[str, Callable[[Generator], StayLog]]] = {
    "weekly dates": weekly_dates,
    "short and steady": short_and_steady,
    "batches": batches,
    "office week": office_week,
    "waits for customers": waits_for_customers,
}
