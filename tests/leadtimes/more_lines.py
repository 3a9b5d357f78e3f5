"""More made-up lines, of other trades than ours: what a forecast is held to must not be one house's
habits. Times in days; each from a seeded generator.
"""

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.log import StayLog
from tests.leadtimes.lines import Stay, cut, line, poisson

WEEK_HOURS, DAY_HOURS, OPENS = 40.0, 8.0, 9.0


def office(when: float, hours: float) -> float:
    """The moment at which so many hours of office work are done: 9 to 17, Monday to Friday."""
    week, day = divmod(when, 7)
    hour = 24 * (day % 1)
    today = min(max(hour - OPENS, 0.0), DAY_HOURS) if day < 5 else 0.0
    weeks, rest = divmod(
        week * WEEK_HOURS + min(day // 1, 5) * DAY_HOURS + today + hours, WEEK_HOURS
    )
    days, left = divmod(rest, DAY_HOURS)
    return weeks * 7 + days + (OPENS + left) / 24


def help_desk(g: Generator) -> StayLog:
    """Three urgencies in office hours; callers are waited for, 14 days at most; closed after 5."""
    stays: list[Stay] = []
    for piece, when in enumerate(poisson(g, 2500, 10.0)):
        pace = (0.3, 1.0, 2.5)[g.choice(3, p=[0.15, 0.6, 0.25])]
        here, step = office(float(when), 0.0), 0
        for turn in range(40):
            end = {
                0: lambda at: office(at, pace * g.exponential(2)),  # noqa: B023
                1: lambda at: office(at, pace * g.lognormal(1.5, 1.2)),  # noqa: B023
                2: lambda at: at + min(g.lognormal(1.2, 1.3), 14.0),
                3: lambda at: office(at, pace * g.lognormal(2.5, 1.0)),  # noqa: B023
                4: lambda at: at + 5.0,
            }[step](here)
            stays.append((piece, step, here, end))
            here = end
            if step == 4:
                break
            again = g.random() < (0.6 if step == 2 else 0.3) and turn < 24
            step = 1 if step == 0 else _after_work(g) if step == 1 else 1 if again else 4
    return cut(stays, 240.0)


def _after_work(g: Generator) -> int:
    return int(g.choice([2, 3, 4], p=[0.3, 0.2, 0.5]))


def permits(g: Generator) -> StayLog:
    """Twenty steps, some left out, three kinds that nothing tells apart; faster from day 550 on."""
    stays: list[Stay] = []
    for piece, when in enumerate(poisson(g, 900, 0.9)):
        kind = g.choice(3, p=[0.5, 0.35, 0.15])
        here, pace = float(when), (0.5, 1.0, 2.2)[kind] * g.lognormal(0, 0.35)
        for step in range(20):
            if step not in (0, 19) and g.random() < (0.35, 0.15, 0.05)[kind]:
                continue
            length = (4 if step in (6, 13) else 1) * (0.65 if here > 550 else 1.0) * pace
            end = here + length * g.lognormal(0.6, 1.1)
            stays.append((piece, step, here, end))
            here = end
    return cut(stays, 1000.0)


def closed_for_weeks(g: Generator) -> StayLog:
    """Three weeks in summer and two at the year's end nothing moves."""
    shut = [(200, 221), (355, 369), (565, 586), (720, 734)]
    stays: list[Stay] = []
    for piece, when in enumerate(poisson(g, 760, 1.0)):
        here, pace = float(when), g.lognormal(0, 0.3)
        for step, mean in enumerate((3, 8, 2, 6, 1)):
            end = here + pace * mean * g.lognormal(-0.1, 0.5)
            for first, last in shut:
                end += last - max(first, here) if here < last and end > first else 0.0
            stays.append((piece, step, here, end))
            here = end
    return cut(stays, 760.0)


def swelling(g: Generator) -> StayLog:
    """What comes in swells and sinks about what the hands can do."""
    arrivals, when = [], 0.0
    for _ in range(900):
        when += g.exponential(1 / max(1 + 0.5 * np.sin(when / 60), 0.1))
        arrivals.append(when)
    stays = line(g, np.array(arrivals), [2, 4, 6, 3, 1], [1.6, 3.6, 5.6, 2.6, 0.85])
    return cut(stays, arrivals[-1])


def two_lanes(g: Generator) -> StayLog:
    """Two kinds that share some steps, one quick, one slow; some are given up."""
    quick = line(g, poisson(g, 500, 0.7), [1, 2, 4], [1.0, 2.4, 4.6])
    slow = line(g, poisson(g, 500, 0.7), [3, 6, 4], [3.0, 7.0, 4.0], rework=0.1)
    stays = quick + [(piece + 500, (3, 1, 4)[step], a, b) for piece, step, a, b in slow]
    return cut(stays, 650.0, {piece: float(g.random() * 700) for piece in range(0, 1000, 17)})


def ever_slower(g: Generator) -> StayLog:
    """From day 300 on all work takes longer and longer."""
    stays: list[Stay] = []
    for piece, when in enumerate(poisson(g, 900, 1.0)):
        here = float(when)
        for step, mean in enumerate((2, 6, 10, 4)):
            end = here + mean * (1 + max(here - 300, 0) / 500) * g.lognormal(-0.1, 0.6)
            stays.append((piece, step, here, end))
            here = end
    return cut(stays, 900.0)


def comes_back(g: Generator) -> StayLog:
    """Days with many short steps; one in four comes back after weeks or months."""
    stays: list[Stay] = []
    for piece, when in enumerate(poisson(g, 1050, 1.5)):
        here, worse = float(when), g.random()
        turns = [
            4 + int(g.choice(3, p=[0.5, 0.4, 0.1])) for _ in range(1 + g.poisson(3 + 6 * worse))
        ]
        back = [7, 8] if g.random() < 0.28 else [9]
        for step in [0, 1, 2, 3, *turns, *back]:
            length = {7: g.lognormal(4, 1), 8: 0.0, 9: 0.0}.get(
                step,
                g.exponential(0.05) if step < 4 else g.lognormal(-0.8 if step < 6 else 0.5, 0.8),
            )
            stays.append((piece, step, here, here + float(length)))
            here += float(length)
    return cut(stays, 700.0)


def dates_only(g: Generator) -> StayLog:
    """Days without hours: many stays take none."""
    stays: list[Stay] = []
    for piece, when in enumerate(poisson(g, 700, 1.0)):
        here = float(np.floor(when))
        for step, mean in enumerate((1, 4, 9, 3, 1)):
            end = here + float(np.floor(mean * g.lognormal(0, 0.7)))
            stays.append((piece, step, here, end))
            here = end
    return cut(stays, 700.0)


MORE: Final[dict[str, Callable[[Generator], StayLog]]] = {
    "help desk": help_desk,
    "permits": permits,
    "closed for weeks": closed_for_weeks,
    "swelling load": swelling,
    "two lanes": two_lanes,
    "ever slower": ever_slower,
    "comes back": comes_back,
    "dates only": dates_only,
}
