"""Which changes are simulated, and what is kept of the answer. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import time
from typing import Any, Final

import numpy as np

from app.leadtimes.floor import ChangeError, Comparison, Floor, FloorChange, parse_change
from app.leadtimes.floor.outcome import Outcome
from app.leadtimes.floor.report import busiest_of, busiest_words
from app.owner.what_if.words import HALF_DAY, PHOTOS
from app.shared.calendar import Calendar, Hours
from app.studio.rules import say_hours

WANTED: Final = "Photos wanted"
DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
HALF_A_DAY: Final = 4
_BETTER, _MORE_ORDERS = 10, 20


@dataclass(frozen=True, slots=True)
class Ask:
    """A question: its name in words and its settings, as `whatif` reads them (or the two above)."""

    name: str
    settings: tuple[str, ...]


def ready(floor: Floor, now: Outcome) -> list[Ask]:
    """The changes that are worked out every night, those that make no sense here left out."""
    found = [
        Ask(f"One more person at {floor.steps[i].name}", (f"{floor.steps[i].name} people=+1",))
        for i in narrowest(floor, now)[:2]
    ]
    machines = [i for i, step in enumerate(floor.steps) if step.machines is not None]
    if machines:
        busy = now.busy_share().value
        name = floor.steps[max(machines, key=lambda i: busy[i])].name
        found.append(Ask(f"One place more on the machines for {name}", (f"{name} machines=+1",)))
    found.append(Ask("Half a day more a week", (HALF_DAY,)))
    if _sends_back(floor):
        found.append(
            Ask(
                f"Photos good the first time in {_BETTER} more of 100 cases",
                (f"{PHOTOS}{_BETTER}",),
            )
        )
    if floor.arrivals:
        found.append(Ask(f"{_MORE_ORDERS} % more orders", (f"newcomers=+{_MORE_ORDERS}%",)))
    return found


def narrowest(floor: Floor, now: Outcome) -> list[int]:
    """The steps of people at which most pieces wait on average, the most first."""
    able = {name for crew in floor.crews for name in crew.steps}
    waiting = now.waiting().value
    steps = [i for i, s in enumerate(floor.steps) if s.name in able or s.people is not None]
    return sorted(steps, key=lambda i: -waiting[i])


def resolved(settings: Sequence[str], floor: Floor, calendar: Calendar) -> list[FloorChange]:
    """Settings as changes of this floor. Raises ChangeError."""
    found = []
    for setting in settings:
        if setting == HALF_DAY:
            found.append(parse_change(f"hours={half_day_more(calendar)}"))
        elif setting.startswith(PHOTOS):
            found.append(_better(floor, int(setting.removeprefix(PHOTOS)) / 100))
        else:
            found.append(parse_change(setting))
    return found


def half_day_more(calendar: Calendar) -> str:
    """The week with four hours more: on the first day on which nobody works yet, from when work
    usually begins. Raises ChangeError where people work every day, or never."""
    hours = {day: spans for day, spans in calendar.hours.items() if spans}
    free = [day for day in (5, *range(5), 6) if day not in hours]
    if not hours or not free:
        raise ChangeError("Nobody works yet, or everybody every day: there is no half day to add.")
    start = min(spans[0][0] for spans in hours.values())
    end = min(24, start.hour + HALF_A_DAY)
    more: Hours = ((start, time(end % 24, start.minute if end < 24 else 0)),)
    week = sorted({**hours, free[0]: more}.items())
    return ", ".join(f"{DAYS[day]} {say_hours(spans)}" for day, spans in week)


def _sends_back(floor: Floor) -> list[tuple[float, str]]:
    """The steps that send sets back for other photos, by share of their pieces, the most first."""
    found = [(r.share, step.name) for step in floor.steps for r in step.rework if r.to == WANTED]
    return sorted(found, reverse=True)


def _better(floor: Floor, points: float) -> FloorChange:
    sent_back = _sends_back(floor)
    if not sent_back:
        raise ChangeError("No set of photos has been sent back, so better ones change nothing.")
    share, name = sent_back[0]
    total = sum(r.share for r in floor.steps[floor.index(name)].rework)
    left = max(0.0, total - min(points, share))
    return FloorChange(name, "rework", left)


def answer(both: Comparison) -> dict[str, Any]:
    """What is kept: pieces, runs; of today's pieces the hours until half and until 85 in 100 are
    ready, now and then; days sooner with the simulation's own error; pieces waiting; the busiest.
    """
    half, slow = ([_pooled(o, share) for o in (both.now, both.then)] for share in (0.5, 0.85))
    typical = both.typical_change()
    return {
        "pieces": int(both.now.ready.shape[1]),
        "runs": int(both.now.ready.shape[0]),
        "half": half,
        "slow": slow,
        "days": -float(typical.value) / 24,
        "error": float(typical.error) / 24,
        "waiting": [float(o.waiting().value.sum()) for o in (both.now, both.then)],
        "bottleneck": busiest_words(both.now),
        "busiest": [busiest_of(o) for o in (both.now, both.then)],
    }


def _pooled(out: Outcome, share: float) -> float:
    return float(np.quantile(out.ready, share))
