"""What-if settings as a person types them: "painting people=3", "shaping hours=mon-fri 7-15:30"."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from datetime import time as day_time
from difflib import get_close_matches
from math import ceil

import numpy as np

from app.leadtimes.floor.hours import HOUR, OpenHours
from app.leadtimes.floor.model import Crew, Floor, FloorStep, Rework
from app.shared.calendar import Calendar, Hours

WHATS = {
    "people": "painting people=3, or painting people=+1",
    "also": "painting also=inspection (one of those who paint inspects too)",
    "machines": "building machines=2",
    "batch": "blank batch=6",
    "hours": "shaping hours=mon-fri 7:00-15:30, sat 9-12, or building hours=always",
    "time": "painting time=-10% (each stay's work takes a tenth less)",
    "rework": "inspection rework=5%",
    "closed": "closed=2031-08-04..2031-08-15, or painting closed=2031-08-04",
    "newcomers": "newcomers=+20%",
}
ALONE = {"closed", "hours", "newcomers"}  # may be said of the whole floor
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
SETTING = re.compile(
    r"\s*(?:(?P<step>[^=]+?)\s+)?(?P<what>[^\s=]+)\s*=\s*(?P<value>.*?)\s*", re.DOTALL
)
SPAN = re.compile(r"(\d{1,2})(?::(\d\d))?\s*-\s*(\d{1,2})(?::(\d\d))?")

Week = dict[int, Hours]
Closure = tuple[date, date]


class ChangeError(ValueError):
    """A what-if setting that cannot be understood or does not fit the floor, in plain words."""


@dataclass(frozen=True)
class FloorChange:
    """One setting. `step` is None where it is said of the whole floor.

    Counts stand in `number`, to be added where `relative`; shares and factors stand there too
    (5 % is 0.05, a tenth less time is 0.9). `week` None with "hours" means day and night. `others`
    are the steps of "also".
    """

    step: str | None
    what: str
    number: float = 0.0
    relative: bool = False
    week: Week | None = None
    closures: tuple[Closure, ...] = ()
    others: tuple[str, ...] = ()


def parse_change(text: str) -> FloorChange:
    """Read one setting; see WHATS for what can be set. Raises ChangeError."""
    found = SETTING.fullmatch(text)
    if not found or not found["value"]:
        raise ChangeError(f"“{text.strip()}” is no setting. Write for instance: {WHATS['people']}.")
    step, what, value = found["step"], found["what"].lower(), found["value"]
    if what not in WHATS:
        near = get_close_matches(what, WHATS, 1)
        hint = f" Did you mean “{near[0]}”?" if near else ""
        raise ChangeError(f"“{what}” cannot be set.{hint} What can be set: {', '.join(WHATS)}.")
    if step is None and what not in ALONE:
        raise ChangeError(f"“{what}” is of one step. Write for instance: {WHATS[what]}.")
    if step is not None and what == "newcomers":
        raise ChangeError(f"Newcomers are of the whole floor. Write for instance: {WHATS[what]}.")
    return READERS[what](step, what, value)


def _refuse(what: str, value: str, why: str) -> ChangeError:
    return ChangeError(f"{what}={value}: {why} Write for instance: {WHATS[what]}.")


def _count(step: str | None, what: str, value: str) -> FloorChange:
    if not re.fullmatch(r"[+-]?\d{1,4}", value):
        raise _refuse(what, value, "a whole number is needed.")
    relative = value[0] in "+-"
    if not relative and int(value) < 1:
        raise _refuse(what, value, "one at least; to stop a step for a while, close it.")
    return FloorChange(step, what, float(value), relative)


def _percent(what: str, value: str) -> tuple[float, bool]:
    found = re.fullmatch(r"([+-]?)(\d{1,4}(?:\.\d+)?)\s*%", value)
    if not found:
        raise _refuse(what, value, "a percentage is needed.")
    return float(found[1] + found[2]) / 100, bool(found[1])


def _factor(step: str | None, what: str, value: str) -> FloorChange:
    share, relative = _percent(what, value)
    factor = 1 + share if relative else share
    if not factor > 0:
        raise _refuse(what, value, "something must be left of it.")
    return FloorChange(step, what, factor)


def _share(step: str | None, what: str, value: str) -> FloorChange:
    share, relative = _percent(what, value)
    if relative or share > 1:
        raise _refuse(what, value, "between 0% and 100% of the pieces, without a sign.")
    return FloorChange(step, what, share)


def _closed(step: str | None, what: str, value: str) -> FloorChange:
    closures = []
    for part in value.split(","):
        first, _, last = part.strip().partition("..")
        try:
            a, b = date.fromisoformat(first.strip()), date.fromisoformat((last or first).strip())
        except ValueError:
            raise _refuse(what, value, f"“{part.strip()}” is no day or span of days.") from None
        if b < a:
            raise _refuse(what, value, f"“{part.strip()}” ends before it begins.")
        closures.append((a, b))
    return FloorChange(step, what, closures=tuple(closures))


def _also(step: str | None, what: str, value: str) -> FloorChange:
    others = tuple(part.strip() for part in value.split(","))
    if not all(others):
        raise _refuse(what, value, "a step is needed, or several with commas.")
    return FloorChange(step, what, others=others)


def _hours(step: str | None, what: str, value: str) -> FloorChange:
    if value.lower() == "always":
        return FloorChange(step, what)
    week: Week = {}
    days: list[int] = []
    for part in value.lower().replace(";", ",").split(","):
        named, span = _day_names(part.strip())
        if not named and not days:
            raise _refuse(what, value, f"“{part.strip()}” names no day.")
        days = named or days
        for day in days:
            week[day] = (*week.get(day, ()), _span(value, span))
    for spans in week.values():
        ends = [day_time.max if b == day_time() else b for _, b in spans]
        late = any(b > a for (a, _), b in zip(spans[1:], ends, strict=False))
        if late or any(b <= a for (a, _), b in zip(spans, ends, strict=True)):
            raise _refuse(what, value, "a day's hours follow one another and end after they begin.")
    return FloorChange(step, what, week=week)


def _day_names(part: str) -> tuple[list[int], str]:
    """Leading "mon", "mon-fri" or "sat-mon", and what follows."""
    found = re.match(r"([a-z]{3})[a-z]*(?:\s*-\s*([a-z]{3})[a-z]*)?(?:\s+(.*))?", part)
    if not found or found[1] not in DAYS or (found[2] or "mon") not in DAYS:
        return [], part
    first = DAYS.index(found[1])
    last = DAYS.index(found[2]) if found[2] else first
    return [(first + n) % 7 for n in range((last - first) % 7 + 1)], found[3] or ""


def _span(value: str, span: str) -> tuple[day_time, day_time]:
    found = SPAN.fullmatch(span.strip())
    try:
        if not found:
            raise ValueError
        a, b = int(found[1]) * 60 + int(found[2] or 0), int(found[3]) * 60 + int(found[4] or 0)
        if int(found[2] or 0) > 59 or int(found[4] or 0) > 59 or b > 24 * 60:
            raise ValueError
        # "Until 24:00" is written 00:00, as in the calendar.
        return day_time(a // 60, a % 60), day_time(b // 60 % 24, b % 60)
    except ValueError:
        raise _refuse("hours", value, f"“{span.strip()}” is not a span of hours.") from None


READERS: dict[str, Callable[[str | None, str, str], FloorChange]] = {
    "people": _count,
    "also": _also,
    "machines": _count,
    "batch": _count,
    "hours": _hours,
    "time": _factor,
    "rework": _share,
    "closed": _closed,
    "newcomers": _factor,
}


def apply_changes(floor: Floor, changes: Iterable[FloorChange]) -> Floor:
    """The floor with every change made, closures last so that they also cut changed hours.

    "people" counts everybody who does the step. Whoever is new does that step alone and brings a
    place to work at; whoever leaves is taken from those who do the fewest steps, and is missing at
    all of theirs. "also" lets one of those who do a step do others too.

    Raises ChangeError for a step that is not there, a count that falls under 1, hours or closures
    on a floor without a calendar, newcomers where none are expected, rework where there is none,
    people who leave a step with nobody.
    """
    for change in sorted(changes, key=lambda c: c.what == "closed"):
        if change.what == "newcomers":
            floor = _more_newcomers(floor, change.number)
            continue
        chosen = _chosen(floor, change)
        if change.what == "also":
            floor = _taught(floor, floor.steps[chosen[0]], change)
            continue
        if change.what == "people" and _crew_places(floor, floor.steps[chosen[0]].name):
            floor = _hired(floor, chosen[0], change)
            continue
        hours = _new_hours(floor, change, [floor.steps[i] for i in chosen])
        steps = list(floor.steps)
        for i in chosen:
            steps[i] = replace(_changed(steps[i], change), hours=hours(steps[i].hours))
        floor = replace(floor, steps=tuple(steps))
    return floor


def _chosen(floor: Floor, change: FloorChange) -> list[int]:
    """The steps that a change is about; said of the floor, all but those that never close."""
    if change.step is None:
        return [i for i, s in enumerate(floor.steps) if np.isfinite(s.hours.until)]
    return [_find(floor, change.step)]


def _find(floor: Floor, name: str) -> int:
    wanted = re.sub(r"[\s_-]+", "_", name.strip().lower())
    names = {re.sub(r"[\s_-]+", "_", s.name.lower()): i for i, s in enumerate(floor.steps)}
    if wanted not in names:
        near = get_close_matches(wanted, names, 1)
        hint = f" Did you mean “{floor.steps[names[near[0]]].name}”?" if near else ""
        known = ", ".join(s.name for s in floor.steps)
        raise ChangeError(f"There is no step “{name}”.{hint} The steps are: {known}.")
    return names[wanted]


def _crew_places(floor: Floor, step: str) -> list[int]:
    """The crews that do a step, who does the fewest others first."""
    able = [k for k, crew in enumerate(floor.crews) if step in crew.steps]
    return sorted(able, key=lambda k: len(floor.crews[k].steps))


def _hired(floor: Floor, at: int, change: FloorChange) -> Floor:
    """More or fewer people at a step that crews do."""
    step = floor.steps[at]
    able = _crew_places(floor, step.name)
    before = sum(floor.crews[k].people for k in able)
    count = int(change.number) + (before if change.relative else 0)
    if count < 1:
        raise ChangeError(f"{step.name} people: {count} is too few, 1 at least.")
    if count > before:
        floor = _with_people(floor, (step.name,), count - before)
        wider = step.people and replace(step, people=step.people + count - before)
        steps = (*floor.steps[:at], wider or step, *floor.steps[at + 1 :])
        return replace(floor, steps=steps)
    for k in able:
        crew = floor.crews[k]
        leaving = min(before - count, crew.people)
        before -= leaving
        floor = _with_people(floor, crew.steps, -leaving)
    return floor


def _taught(floor: Floor, step: FloorStep, change: FloorChange) -> Floor:
    """One of those who do a step, and the fewest others, does some more."""
    more = {floor.steps[_find(floor, name)].name for name in change.others}
    for k in _crew_places(floor, step.name):
        known = set(floor.crews[k].steps)
        if more - known:
            wanted = tuple(s.name for s in floor.steps if s.name in known | more)
            floor = _with_people(floor, wanted, 1, floor.crews[k].there)
            return _with_people(floor, floor.crews[k].steps, -1)
    if not _crew_places(floor, step.name):
        raise ChangeError(f"Nobody is known to do {step.name}, so nobody can do more than that.")
    raise ChangeError(f"Whoever does {step.name} does {', '.join(sorted(more))} already.")


def _with_people(floor: Floor, steps: tuple[str, ...], more: int, there: float = 1.0) -> Floor:
    """So many more (or fewer) in the crew that does just these steps; a new crew is `there` so
    much. Raises ChangeError where nobody would be left for one of them.
    """
    crews = {crew.steps: crew for crew in floor.crews}
    crew = crews.get(steps, Crew(", ".join(steps), 0, steps, there))
    crews[steps] = replace(crew, people=crew.people + more)
    left = tuple(crew for crew in crews.values() if crew.people > 0)
    for step in steps:
        if not any(step in crew.steps for crew in left):
            raise ChangeError(f"Nobody would be left for {step}.")
    return replace(floor, crews=left)


def _changed(step: FloorStep, change: FloorChange) -> FloorStep:
    if change.what in ("people", "machines", "batch"):
        before = getattr(step, change.what)
        if change.relative and before is None:
            raise ChangeError(f"{step.name} counts no {change.what}: give a number without a sign.")
        count = int(change.number) + (before if change.relative else 0)
        if count < 1:
            raise ChangeError(f"{step.name} {change.what}: {count} is too few, 1 at least.")
        if change.what == "people":
            return replace(step, people=count)
        return (
            replace(step, machines=count)
            if change.what == "machines"
            else replace(step, batch=count)
        )
    if change.what == "time":
        return replace(step, durations=step.durations * change.number)
    if change.what == "rework":
        return replace(step, rework=_scaled(step, change.number))
    return step


def _scaled(step: FloorStep, share: float) -> tuple[Rework, ...]:
    """The same causes in the same proportions, adding up to a share."""
    total = sum(r.share for r in step.rework)
    if not total:
        raise ChangeError(f"No piece is sent back from {step.name} today: nobody knows where to.")
    return tuple(replace(r, share=r.share * share / total) for r in step.rework)


def _more_newcomers(floor: Floor, factor: float) -> Floor:
    if not floor.arrivals:
        raise ChangeError("No newcomers are expected on this floor.")
    more = (replace(a, gaps_h=np.asarray(a.gaps_h) / factor) for a in floor.arrivals)
    return replace(floor, arrivals=tuple(more))


def _new_hours(
    floor: Floor, change: FloorChange, steps: list[FloorStep]
) -> Callable[[OpenHours], OpenHours]:
    """How a change turns a step's hours into others; steps that share hours share the new ones."""
    if change.what not in ("hours", "closed"):
        return lambda hours: hours
    if change.what == "hours" and change.week is None:
        always = OpenHours.always()
        return lambda _: always
    calendar = floor.calendar
    if calendar is None:
        raise ChangeError(f"This floor knows no calendar, so its {change.what} cannot be changed.")
    try:
        if change.what == "hours":
            known = min((s.hours.until for s in floor.steps), default=np.inf)
            days = ceil(known / 24) if np.isfinite(known) else 730
            week = OpenHours.from_calendar(calendar, floor.now, days, change.week)
            return lambda _: week
        made = {id(s.hours): _without(s.hours, calendar, floor.now, change.closures) for s in steps}
    except ValueError as wrong:
        raise ChangeError(f"{change.what}: {wrong}") from None
    return lambda hours: made[id(hours)]


def _without(
    hours: OpenHours, calendar: Calendar, now: int, closures: tuple[Closure, ...]
) -> OpenHours:
    """The hours less whole days of the calendar's zone."""
    for first, last in closures:
        start = (calendar.start_of(first) - now) / HOUR
        end = (calendar.start_of(last + timedelta(days=1)) - now) / HOUR
        hours = hours.without(start, end)
    return hours
