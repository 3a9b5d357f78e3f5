"""The floor as it stands, built from the studio's own log for the simulation. Pure.

Work at a bench is what was worked in hand, by the calendar; what a piece was set aside for until a
named time (drying, the copy deadline) is a step of its own without limit, so that it holds up the
piece and nobody's hands. Machines run day and night.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from app.flow.rules import Kind
from app.flow.steps import BENCHES, STEPS, Step, TimeClass
from app.leadtimes.floor import Arrivals, Floor, OpenHours, Piece, Rework, quantile_table
from app.leadtimes.floor import Step as FloorStep
from app.owner.spans import WorkAndRest
from app.owner.spells import (
    CLASS_LIST,
    KIND_CODE,
    STEP_CODE,
    STEP_LIST,
    Entries,
    Ints,
    Spells,
    classed,
)
from app.shared.calendar import Calendar

HOUR: Final = 3600
HORIZON_H: Final = 28 * 24.0
MOST_PLACES: Final = 60
SELDOM: Final = 0.1
LEAST_ARRIVALS: Final = 5
# Hours of work at a bench where the studio has none of its own: a tenth of the usual stay, in
# hours of work (common practice, no source). It counts as much as ten stays.
_DEFAULT_SHARE: Final = 0.1 * 8
_SPREAD: Final = (0.4, 0.7, 1.0, 1.5, 2.4)
NAMES: Final[dict[Step, str]] = {
    step: STEPS[step].name for step in BENCHES if step is not Step.HANDED_OVER
}


def rest_name(step: Step) -> str:
    """The name of the time for which pieces of a step are set aside."""
    return f"{NAMES[step]} (set aside)"


@dataclass(frozen=True)
class Stays:
    """Stays in arrays: step, entry and leaving, seconds worked in hand and set aside until a named
    time, the step that came next (-1 where none did yet), and the row of its first spell.
    """

    piece: Ints
    step: Ints
    entered: Ints
    left: Ints
    hands: Ints
    aside: Ints
    following: Ints


def stays(entries: Entries, found: Spells, sisters: Ints, calendar: WorkAndRest) -> Stays:
    """The stays of a log, open ones too. `sisters` is by spell, as `classed` wants it."""
    come = np.isin(entries.kind, [KIND_CODE[Kind.ENTER], KIND_CODE[Kind.MOVE]])
    of = np.cumsum(come) - 1
    first = np.flatnonzero(come)
    by_class = classed(found, sisters, calendar)
    put_aside = (entries.kind == KIND_CODE[Kind.ASIDE]) & (entries.until > 0)
    kept_aside = np.clip(np.minimum(found.end, entries.until) - found.start, 0, None)
    aside = np.where(put_aside, kept_aside, 0)
    ends = np.append(first[1:], come.size)
    same = np.append(found.piece[first[1:]] == found.piece[first[:-1]], False)
    return Stays(
        piece=found.piece[first],
        step=found.step[first],
        entered=found.start[first],
        left=np.where(same, found.start[np.minimum(ends, come.size - 1)], found.end[ends - 1]),
        hands=np.bincount(of, by_class[:, CLASS_LIST.index(TimeClass.HANDS)]).astype(np.int64),
        aside=np.bincount(of, aside).astype(np.int64),
        following=np.where(same, found.step[np.append(first[1:], 0)], -1),
    )


@dataclass(frozen=True)
class Today:
    """What the log does not say: how the studio works and what stands where."""

    now: int
    calendar: Calendar
    blank_on: bool
    capacity: Mapping[str, int]
    seen: Mapping[str, int]  # by step, how many people had pieces in hand lately
    at_once: Mapping[str, int]  # by step, how many pieces were in hand at once, at most, lately
    pieces: Sequence[Any]
    ordered_at: Sequence[int]  # moments at which copies were ordered lately, sorted


@dataclass(frozen=True)
class Built:
    """The floor, and what a reader should know of how it came about."""

    floor: Floor
    stays: int
    parked: int
    notes: tuple[str, ...]


def build(known: Stays, today: Today) -> Built:
    """The floor. `known` are the stays of the last year. ValueError where nothing stands there."""
    line = [step for step in NAMES if step is not Step.BLANK or today.blank_on]
    hours = OpenHours.from_calendar(today.calendar, today.now)
    steps: list[FloorStep] = []
    notes: list[str] = []
    for step in line:
        mine = (known.step == STEP_CODE[step]) & (known.following >= 0)
        made, note = _step(step, known, mine, today, hours)
        steps.append(made)
        notes += note
        aside = known.aside[mine] / HOUR
        if aside.size and (aside > 0).mean() >= SELDOM:
            steps.append(FloorStep(rest_name(step), quantile_table(aside)))
    names = {step.name for step in steps}
    pieces, parked = _pieces(today, line, names)
    floor = Floor(
        tuple(steps), pieces, _arrivals(today, line), horizon_h=HORIZON_H,
        calendar=today.calendar, now=today.now,
    )  # fmt: skip
    return Built(floor, int((known.following >= 0).sum()), parked, tuple(notes))


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
    people = min(MOST_PLACES, places)
    return FloorStep(name, table, people=people, hours=hours, rework=rework), note


def _people(step: Step, today: Today) -> tuple[int, list[str]]:
    """How many pieces can be in hand at once: as set, or as many as were seen where that is more.

    Hours in hand are shared by all pieces in hand: a packer with ten on the table works on one.
    """
    name, given = NAMES[step], today.capacity.get(str(step))
    most = today.at_once.get(str(step), 0)
    if given is None:
        places = max(1, most, today.seen.get(str(step), 0))
        return places, [f"{name} {places}, as seen in hand lately"]
    if most > given:
        return most, [f"{name} {most}, as seen in hand at once, though {given} are set"]
    return given, []


def _machines(step: Step, known: Stays, today: Today) -> tuple[int | None, list[str]]:
    """How many pieces the machines take at once: as set, but at least as many as were seen.

    A stay at the blanks holds the wait for a batch, so that fewer would count that wait twice.
    """
    name, mine = NAMES[step], known.step == STEP_CODE[step]
    most = most_at_once(known.entered[mine], known.left[mine])
    given = today.capacity.get(str(step))
    if given is not None and (step is not Step.BLANK or most <= given):
        return (given if given <= MOST_PLACES else None), []
    places = max(1, most)
    if places > MOST_PLACES:
        return None, [f"{name} without limit, for {places} pieces were seen there at once"]
    return places, [f"{name} {places} pieces at once, as seen"]


def most_at_once(start: Ints, end: Ints) -> int:
    """The greatest number of intervals [start, end) that hold one moment."""
    moments = np.concatenate((start, end))
    change = np.repeat([1, -1], [start.size, end.size])
    order = np.lexsort((change, moments))  # at one moment, who leaves does so first
    return int(np.cumsum(change[order]).max(initial=0))


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


def _pieces(today: Today, line: list[Step], names: set[str]) -> tuple[tuple[Piece, ...], int]:
    """Today's pieces where they stand, without those on hold and the copies that wait for them."""
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
        if step not in line:
            step = first_made
        waits = row.step == Step.NOT_BEGUN and row.after in open_models
        machine = STEPS[step].waits_for is not TimeClass.WAITING and step is not Step.PHOTOS_IN
        in_hand = not waits and row.step != Step.NOT_BEGUN and (machine or bool(row.in_hand))
        resting = not in_hand and not waits and (row.aside_until or 0) > today.now
        so_far = (today.now - row.entered_at) / HOUR if machine else row.worked / HOUR
        found.append(
            Piece(
                row.key, NAMES[step],
                last=None if row.copy else last,
                in_hand=in_hand,
                age_h=max(0.0, so_far) if in_hand else 0.0,
                waited_h=0.0 if waits or resting else max(0, today.now - row.entered_at) / HOUR,
                priority=0 if row.again else 1,
                oldest=float(row.oldest),
                after=row.after if waits else None,
                enters_h=(row.aside_until - today.now) / HOUR if resting else None,
            )
        )  # fmt: skip
    return tuple(found), len(parked)


def _arrivals(today: Today, line: list[Step]) -> Arrivals | None:
    """Pieces to come, at the gaps of lately; None with too few to go by."""
    if len(today.ordered_at) < LEAST_ARRIVALS:
        return None
    gaps = np.diff(np.array(today.ordered_at, dtype=float)) / HOUR
    return Arrivals(NAMES[line[0]], gaps, HORIZON_H) if gaps.mean() > 0 else None
