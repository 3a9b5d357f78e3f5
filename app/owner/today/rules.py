"""What the owner reads of the house in ten seconds, in sentences. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import sqrt

from app.flow.steps import STEPS, Step, our_benches
from app.orders.forecast.worker import PERCENTS
from app.shared.calendar import DAY, Calendar
from app.shared.web import words

WEEKS = 4
# With fewer through a step in four weeks a pace would be chance.
FEW = 4
_Z = 1.96


@dataclass(frozen=True, slots=True)
class InAndOut:
    """Pieces ordered, accepted (their photos passed) and handed over in some weeks."""

    ordered: int
    accepted: int
    left: int


@dataclass(frozen=True, slots=True)
class AtAStep:
    """The pieces that stand at a step, those of them in hand and on hold, and how many moved on
    from it lately."""

    here: int
    hands: int
    held: int
    through: int


@dataclass(frozen=True, slots=True)
class InOrder:
    """A sentence on the house itself (backups, emails, pages, disk), whether all is well with it,
    and where to look."""

    text: str
    good: bool
    address: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """The work at a step: pieces that wait there or are in hand, on hold, moved on in a week, and
    how many weeks of work that is (None where too few moved on)."""

    step: Step
    name: str
    here: int
    hands: int
    held: int
    a_week: float
    weeks: float | None


def flow_words(found: InAndOut) -> str:
    """In, accepted and out, and whether the house falls behind.

    Two counts differ by chance alone by up to twice the root of their sum (Poisson, 95 %).
    """
    said = (
        f"In the last four weeks {words.count(found.ordered, 'piece was', 'pieces were')} ordered, "
        f"the photos of {found.accepted} passed, and {found.left} left the house."
    )
    apart = found.accepted - found.left
    if not found.ordered + found.accepted + found.left:
        return "In the last four weeks nothing was ordered, and nothing left the house."
    if not apart:
        return f"{said} As many left as came into work."
    more = f"{words.count(abs(apart), 'piece')} more " + (
        "came into work than left" if apart > 0 else "left than came into work"
    )
    sure = abs(apart) > _Z * sqrt(found.accepted + found.left)
    if not sure:
        return f"{said} So {more}, which may be chance."
    tail = (
        f"we fall behind by about {round(apart / WEEKS) or 1} a week."
        if apart > 0
        else f"we catch up by about {round(-apart / WEEKS) or 1} a week."
    )
    return f"{said} {words.capital(more)}: {tail}"


def lines(found: Mapping[str, AtAStep], *, blank_on: bool) -> list[Line]:
    """The steps at which work waits for hands or machines, in their order."""
    kept = []
    for step in our_benches(blank_on=blank_on):
        one = found.get(str(step), AtAStep(0, 0, 0, 0))
        a_week = one.through / WEEKS
        ours = one.here - one.held
        weeks = ours / a_week if one.through >= FEW else None
        kept.append(Line(step, STEPS[step].name, ours, one.hands, one.held, a_week, weeks))
    return kept


def narrowest(found: Sequence[Line]) -> list[Line]:
    """The steps with the most weeks of work before them, the longest first."""
    known = [line for line in found if line.weeks and line.here]
    return sorted(known, key=lambda line: -(line.weeks or 0))


def line_words(found: Sequence[Line]) -> str:
    """Where most work waits, in weeks at the pace of the last four."""
    ranked = narrowest(found)
    if not ranked:
        return "No step has had enough pieces through it lately to say how long its line is."
    first = ranked[0]
    said = (
        f"The longest line is at {first.name}: {words.count(first.here, 'piece')}, "
        f"{weeks_long(first.weeks)} of work at the pace of the last four weeks."
    )
    if len(ranked) > 1:
        said += f" Next comes {ranked[1].name} with {weeks_long(ranked[1].weeks)}."
    return said


def last_to_pass(points: Sequence[float], leave: date, calendar: Calendar) -> dict[int, date]:
    """By percent (50 and 85), the last day on which the photos of a new order must pass for it to
    leave by a day so often: `points` are the days from passing at the forecast's PERCENTS."""
    end = calendar.start_of(leave + timedelta(days=1))
    return {
        percent: calendar.day_of(end - round(points[PERCENTS.index(percent)] * DAY))
        for percent in (50, 85)
    }


def last_to_pass_words(days: Mapping[int, date], for_: date, today: date) -> str:
    """The same in a sentence."""
    even, sure = days[50], days[85]
    day = words.day(for_, today)
    if even < today:
        return f"For {day} it is too late for new photos: even if they pass today, most miss it."
    said = f"To be there by {day}, photos must pass by {words.day(even, today)} for an even chance"
    if sure < today:
        return f"{said}; for 85 in 100 it is too late."
    return f"{said}, and by {words.day(sure, today)} for 85 in 100."


def weeks_long(weeks: float | None) -> str:
    """Weeks with one decimal; "–" where not known."""
    if weeks is None:
        return "–"
    return "1 week" if f"{weeks:.1f}" == "1.0" else f"{weeks:.1f} weeks"
