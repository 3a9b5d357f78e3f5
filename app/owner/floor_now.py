"""The floor as it stands, built from the studio's own log for the simulation. Pure.

Work at a bench is what was worked in hand, by the calendar. What else a stay took falls in two:
while everybody who does the step had something else in hand, which the simulation brings about by
itself; and all the rest (drying, waiting for an answer, lying there though somebody was free),
which is drawn from the log in steps of its own without limit, before and after the piece is taken
in hand. So simulated stays are as long as the log's on today's load, and more hands shorten only
the part that hands can. An order's copies leave together. Machines run day and night.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from app.flow.steps import BENCHES, STEPS, Step, TimeClass
from app.leadtimes.floor import (
    Arrivals,
    Floor,
    FloorPiece,
    FloorStep,
    OpenHours,
    Rework,
    quantile_table,
)
from app.owner.floor_hands import crews, most_at_once
from app.owner.floor_stays import Asides, Stays
from app.owner.intervals import STEP_CODE, STEP_LIST, Bools, Ints
from app.shared.calendar import DAY, Calendar

HOUR: Final = 3600
HORIZON_H: Final = 28 * 24.0
MOST_PLACES: Final = 60
SELDOM: Final = 0.1
# How long pieces lie follows the season: drawn from the last stays alone where these are enough.
LATELY: Final = 91 * DAY
ENOUGH: Final = 30
LEAST_ARRIVALS: Final = 5
LAST_IN_LINE: Final = 2  # of the order of work: neither rework nor needed by a day
# Hours of work at a bench where the studio has none of its own: a tenth of the usual stay, in
# hours of work (common practice, no source). It counts as much as ten stays.
_DEFAULT_SHARE: Final = 0.1 * 8
_SPREAD: Final = (0.4, 0.7, 1.0, 1.5, 2.4)
NAMES: Final[dict[Step, str]] = {
    step: STEPS[step].name for step in BENCHES if step is not Step.HANDED_OVER
}


def before_name(step: Step) -> str:
    """The name of the time before pieces of a step are taken in hand though hands are free."""
    return f"{NAMES[step]} (not looked at)"


def rest_name(step: Step) -> str:
    """The name of the time for which pieces of a step are set aside."""
    return f"{NAMES[step]} (set aside)"


@dataclass(frozen=True)
class Today:
    """What the log does not say: how the studio works and what stands where."""

    now: int
    calendar: Calendar
    blank_on: bool
    capacity: Mapping[str, int]
    does: Mapping[int, frozenset[str]]  # by account, the steps that somebody does
    there: Mapping[int, float]  # by account, the part of the hours in which somebody is there
    at_once: Mapping[str, int]  # by step, how many pieces were in hand at once, at most, lately
    pieces: Sequence[Any]
    # Moments of lately, sorted, at which models were ordered, and copies of models that were ready.
    models_at: Sequence[int]
    copies_at: Sequence[int]
    # By step, how many of its machines' places are out of use.
    out: Mapping[str, int] = field(default_factory=dict)
    called: Mapping[int, str] = field(default_factory=dict)  # by account, somebody's first name
    asides: Asides | None = None  # what came of pieces that were set aside until some moment


@dataclass(frozen=True)
class WaitSplit:
    """What pieces wait for at a step, means of the stays of lately: in all and in nights and
    weekends, in days by the clock; while nobody was free, as far as the simulation brings that
    about, and the rest, in working hours. The four are of `stays` stays.
    """

    name: str
    stays: int
    days: float
    nights: float
    hands: float
    rest: float


@dataclass(frozen=True)
class Built:
    """The floor, and what a reader should know of how it came about."""

    floor: Floor
    stays: int
    parked: int
    notes: tuple[str, ...]
    away: tuple[str, ...] = ()
    waits: tuple[WaitSplit, ...] = ()


def build(known: Stays, today: Today, slack: Mapping[Step, float] | None = None) -> Built:
    """The floor. `known` are the stays of the last year. `slack` is by step the part of the time in
    which nobody was free that counts as lying there all the same (see `slack_of`).
    """
    line = [step for step in NAMES if step is not Step.BLANK or today.blank_on]
    hours = OpenHours.from_calendar(today.calendar, today.now)
    steps: list[FloorStep] = []
    notes: list[str] = []
    for step in line:
        mine, lately = _ended(known, step, today.now)
        made, note = _step(step, known, mine, today, hours)
        notes += note
        part = (slack or {}).get(step, 0.0)
        lies = STEPS[step].waits_for is TimeClass.WAITING
        # What nobody said to have in hand was worked on all the same, while it seemed to lie.
        unsaid = np.where(known.taken > 0, 0.0, made.durations.mean() * HOUR)
        lain = np.maximum(known.before + part * known.before_busy - unsaid, 0.0)
        before, after = (
            _lying(name, seconds[lately], hours) if lies else []
            for name, seconds in (
                (before_name(step), lain),
                (rest_name(step), known.after + part * known.after_busy),
            )
        )  # fmt: skip
        steps += [*before, made, *after]
    names = {step.name for step in steps}
    aside = _SetAside(today, line, hours)
    pieces, parked = _pieces(known, today, line, names, slack or {}, aside)
    floor = Floor(
        tuple(steps), pieces, _arrivals(today, line), horizon_h=HORIZON_H,
        calendar=today.calendar, now=today.now,
        crews=crews(
            today.does, today.there, {step: NAMES[step] for step in line}, today.called
        ),
        together=_together(today, {piece.key for piece in pieces}),
    )  # fmt: skip
    return Built(floor, int((known.following >= 0).sum()), parked, tuple(notes))


def slack_of(known: Stays, today: Today, waits: Mapping[str, float]) -> dict[Step, float]:
    """By step, the part of the time in which nobody was free that the simulation does not bring
    about by itself. `waits` are its mean hours of waiting by step, in working hours.

    Not all of what a piece waits while nobody is free it waits for that reason: had it been left
    for a sitting anyway, it lay there only while people were busy elsewhere. Neither does the
    simulation see pieces come in heaps, after a night's drying or out of one batch. What it brings
    about is set against the log's, and the rest goes to the time that pieces lie there, so that
    stays on the whole are as long as they lately were.
    """
    found = {}
    for step, name in NAMES.items():
        _, lately = _ended(known, step, today.now)
        busy = (known.before_busy + known.after_busy)[lately]
        if busy.size and busy.mean() > 0 and name in waits:
            found[step] = min(1.0, max(0.0, 1.0 - waits[name] * HOUR / float(busy.mean())))
    return found


def wait_splits(known: Stays, today: Today, slack: Mapping[Step, float]) -> tuple[WaitSplit, ...]:
    """Where waiting goes at the steps that wait for somebody, in their order.

    More hands can change at most the hours in which nobody was free, and of these only the part
    that the simulation brings about too (see `slack_of`): so both tell one story.
    """
    found = []
    for step, name in NAMES.items():
        _, lately = _ended(known, step, today.now)
        if STEPS[step].waits_for is not TimeClass.WAITING or not lately.any():
            continue
        mine = known.take(lately)
        opened = mine.waiting_open / HOUR
        busy = np.minimum(mine.before_busy + mine.after_busy, mine.waiting_open) / HOUR
        hands = float(busy.mean()) * (1 - slack.get(step, 0.0))
        found.append(
            WaitSplit(
                name, int(lately.sum()), float(mine.waiting.mean()) / DAY,
                float((mine.waiting - mine.waiting_open).mean()) / DAY,
                hands, float(opened.mean()) - hands,
            )
        )  # fmt: skip
    return tuple(found)


def _ended(known: Stays | Asides, step: Step, now: int) -> tuple[Bools, Bools]:
    """The stays of a step that have ended, and those of lately, or all where these are too few."""
    mine = (known.step == STEP_CODE[step]) & known.ended
    lately = mine & (known.left >= now - LATELY)
    return mine, lately if lately.sum() >= ENOUGH else mine


def _lying(name: str, seconds: NDArray[Any], hours: OpenHours) -> list[FloorStep]:
    """Time that pieces lie though hands are free: a step of its own, unless that is seldom."""
    if not seconds.size or (seconds > 0).mean() < SELDOM:
        return []
    return [FloorStep(name, quantile_table(seconds / HOUR), hours=hours, alike=True)]


def _step(
    step: Step, known: Stays, mine: Any, today: Today, hours: OpenHours
) -> tuple[FloorStep, list[str]]:
    name, facts = NAMES[step], STEPS[step]
    rework = _rework(step, known, mine, today.blank_on)
    elapsed = (known.left - known.entered)[mine] / HOUR
    default = np.array(_SPREAD) * facts.usual * 24
    if step is Step.PHOTOS_IN:  # it waits for a build machine and is no work itself
        return FloorStep(name, quantile_table([0.0]), rework=rework), []
    if facts.waits_for is TimeClass.CUSTOMER:
        return FloorStep(name, quantile_table(elapsed, default), rework=rework), []
    if facts.waits_for is TimeClass.MACHINE:
        places, note = _machines(step, known, today)
        table = quantile_table(elapsed, default)
        return FloorStep(name, table, machines=places, rework=rework), note
    worked = known.hands[mine] / HOUR
    default = np.array(_SPREAD) * facts.usual * _DEFAULT_SHARE
    table = quantile_table(worked[worked > 0], default)
    places, note = _people(step, today)
    return FloorStep(name, table, people=places, hours=hours, rework=rework), note


def _people(step: Step, today: Today) -> tuple[int | None, list[str]]:
    """How many pieces can be in hand at once: as set, or as many as were seen where that is more.

    Where none are set it is those who do the step, or one where nobody was seen to.
    """
    name, given = NAMES[step], today.capacity.get(str(step))
    most = min(MOST_PLACES, today.at_once.get(str(step), 0))
    if given is None:
        if any(str(step) in steps for steps in today.does.values()):
            return None, []
        return max(1, most), [f"{name} {max(1, most)}, as seen in hand lately"]
    given = min(given, MOST_PLACES)
    if most > given:
        return most, [f"{name} {most}, as seen in hand at once, though {given} are set"]
    return given, []


def _machines(step: Step, known: Stays, today: Today) -> tuple[int | None, list[str]]:
    """How many pieces the machines take at once: as set, but at least as many as were seen.

    A stay at the blanks holds the wait for a batch, so that fewer would count that wait twice.
    """
    name, mine = NAMES[step], known.step == STEP_CODE[step]
    most = most_at_once(known.entered[mine], known.left[mine])
    given, out = today.capacity.get(str(step)), today.out.get(str(step), 0)
    if out:
        left = max(1, (most if given is None else max(given, 1)) - out)
        return left, [f"{name} {left} pieces at once, {out} being out of use"]
    if given is not None and (step is not Step.BLANK or most <= given):
        return (given if given <= MOST_PLACES else None), []
    places = max(1, most)
    if places > MOST_PLACES:
        return None, [f"{name} without limit, for {places} pieces were seen there at once"]
    return places, [f"{name} {places} pieces at once, as seen"]


def _rework(step: Step, known: Stays, mine: Any, blank_on: bool) -> tuple[Rework, ...]:
    """Shares of a step's pieces that went back, by where to; a remake begins at its first step."""
    after = known.following[mine]
    going_on = after[after != STEP_CODE[Step.CANCELLED]]
    if not going_on.size:
        return ()
    line = [s for s in NAMES if s is not Step.BLANK or blank_on]
    first_made = Step.BLANK if blank_on else Step.SHAPING
    found: dict[str, float] = {}
    for code, count in zip(*np.unique(going_on, return_counts=True), strict=True):
        to = STEP_LIST[int(code)]
        to = first_made if to is Step.REPLACED else to
        if to in line and line.index(to) < line.index(step):
            found[NAMES[to]] = found.get(NAMES[to], 0.0) + int(count) / going_on.size
    return tuple(Rework(to, share) for to, share in found.items())


def _pieces(
    known: Stays,
    today: Today,
    line: list[Step],
    names: set[str],
    slack: Mapping[Step, float],
    aside: "_SetAside",
) -> tuple[tuple[FloorPiece, ...], int]:
    """Today's pieces where they stand, without those on hold and the copies that wait for them."""
    still = {int(known.piece[i]): int(i) for i in np.flatnonzero(known.following < 0)}
    parked = {row.key for row in today.pieces if row.held}
    parked |= {row.key for row in today.pieces if row.after in parked}
    open_models = {row.key for row in today.pieces if not row.copy}
    rest = rest_name(Step.FINISHING)
    last = rest if rest in names else NAMES[Step.FINISHING]
    first_made = Step.BLANK if Step.BLANK in line else Step.SHAPING
    found = []
    for row in today.pieces:
        if row.key in parked:
            continue
        step = first_made if row.step == Step.NOT_BEGUN else Step(row.step)
        step = step if step in line else first_made
        waits = row.step == Step.NOT_BEGUN and row.after in open_models
        stay = _SoFar(known, still.get(row.log), slack.get(step, 0.0))
        where, age = _where(row, step, names, today.now, stay)
        in_hand = not waits and age is not None
        found.append(
            FloorPiece(
                row.key, where,
                last=None if row.copy else last,
                in_hand=in_hand,
                age_h=max(0.0, age or 0.0) if in_hand else 0.0,
                waited_h=0.0 if waits or in_hand else max(0, today.now - row.entered_at) / HOUR,
                priority=row.rank[0],
                oldest=float(row.rank[1]),
                after=row.after if waits else None,
                left=aside.left(row, step) if where == rest_name(step) else None,
            )
        )  # fmt: skip
    return tuple(found), len(parked)


def _together(today: Today, keys: set[str]) -> tuple[tuple[str, ...], ...]:
    """The copies of each order that leave in one parcel."""
    found: dict[int, list[str]] = {}
    for row in today.pieces:
        if row.copy and not row.ship_part and row.key in keys:
            found.setdefault(row.order_id, []).append(row.key)
    return tuple(tuple(group) for group in found.values() if len(group) > 1)


class _SetAside:
    """What is left of the stays of pieces that are set aside until a moment: the hours until then,
    and as many as pieces took from such a moment until they left the step, where enough did.
    """

    def __init__(self, today: Today, line: Sequence[Step], hours: OpenHours) -> None:
        self._now, self._hours, known = today.now, hours, today.asides
        self._later = {
            step: quantile_table(known.later[lately] / HOUR)
            for step in line
            if known is not None and (lately := _ended(known, step, today.now)[1]).sum() >= ENOUGH
        }

    def left(self, row: Any, step: Step) -> NDArray[np.float64] | None:
        """A table of hours of work; None where nothing is known beyond its age."""
        if (row.aside_until or 0) <= self._now or step not in self._later:
            return None
        until = self._hours.worked((row.aside_until - self._now) / HOUR)
        return np.asarray(self._later[step] + until)


class _SoFar:
    """What the log knows of the stay that a piece is in: hours in hand, and hours that it lay
    before and after it was first taken in hand. All of it is 0 where the log knows no such stay.
    """

    def __init__(self, known: Stays, at: int | None, slack: float) -> None:
        def read(column: Ints) -> int:
            return 0 if at is None else int(column[at])

        self.taken, self.lay_after = read(known.taken) > 0, read(known.after) > 0
        self.worked = read(known.hands) / HOUR
        self.before = (read(known.before) + slack * read(known.before_busy)) / HOUR
        self.after = (read(known.after) + slack * read(known.after_busy)) / HOUR


def _where(
    row: Any, step: Step, names: set[str], now: int, stay: _SoFar
) -> tuple[str, float | None]:
    """The step of the simulation at which a piece stands, and the hours spent at it so far; None
    where it has yet to be taken up.

    A piece that was in hand before and lies now, or is in hand once more, is at the time after:
    what is left of it holds nobody up for long. One that was never in hand is not looked at yet.
    """
    before, after = before_name(step), rest_name(step)
    if row.step == Step.NOT_BEGUN:
        return (before if before in names else NAMES[step]), None
    if STEPS[step].waits_for is not TimeClass.WAITING:
        machine = step is not Step.PHOTOS_IN
        return NAMES[step], (now - row.entered_at) / HOUR if machine else None
    if stay.taken and after in names and (not row.in_hand or stay.lay_after):
        return after, stay.after
    if row.in_hand:
        return NAMES[step], stay.worked
    return (before, stay.before) if before in names else (NAMES[step], None)


def _arrivals(today: Today, line: list[Step]) -> tuple[Arrivals, ...]:
    """Pieces to come, at the gaps of lately: new models, each with a copy behind it, and copies of
    models that are ready. Further copies of a new model are left out: they hardly come to a bench
    within the horizon. Neither comes where there were too few to go by.
    """
    first_made = Step.BLANK if Step.BLANK in line else Step.SHAPING
    found = []
    for step, moments in ((line[0], today.models_at), (first_made, today.copies_at)):
        gaps = np.diff(np.array(moments, dtype=float)) / HOUR
        if len(moments) >= LEAST_ARRIVALS and gaps.mean() > 0:
            found.append(Arrivals(NAMES[step], gaps, HORIZON_H, priority=LAST_IN_LINE))
    return tuple(found)
