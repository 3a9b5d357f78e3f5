"""`likewright whatif`: the floor as it is, and as it would be with more hands, hours, machines."""

import json
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from textwrap import fill
from typing import Any, Final, TextIO

import numpy as np

from app.flow.queue import QueueFacts, place
from app.flow.steps import Step
from app.leadtimes.floor import (
    ChangeError,
    Floor,
    FloorChange,
    apply_changes,
    compare,
    floor_report,
    parse_change,
    simulate,
)
from app.leadtimes.progress import Progress, teller
from app.moving.machines import BLANKS
from app.orders.forecast.worker import PERCENTS, chance_within, days_to_leave
from app.owner import floor_store, store
from app.owner.away import store as absences
from app.owner.away.rules import Away, parts_there, places_out
from app.owner.floor_hands import Presence, Starts, most_at_once, presence, several_at_once, skills
from app.owner.floor_now import HORIZON_H, NAMES, Built, Today, build, slack_of, wait_splits
from app.owner.floor_stays import Stays, asides, stays
from app.owner.intervals import STEP_CODE, Intervals, intervals
from app.owner.spans import WorkAndRest, spans_of
from app.owner.ways import rows_of, ways
from app.shared.calendar import DAY
from app.shared.database import Database
from app.shared.people import first_name
from app.shared.web import words
from app.studio.workshop import InForce, Workshop

WRONG_USAGE: Final = 64
NOTHING_THERE: Final = 2
YEAR, QUARTER = 365 * DAY, 91 * DAY
TRIAL: Final = 100
SHOWN: Final = 20
WIDTH: Final = 100
# Where the machines stand that make something (None: models).
_MADE_AT: Final[Mapping[str | None, str]] = {None: str(Step.BUILDING), BLANKS: str(Step.BLANK)}
_NOTHING: Final = "No piece is in work, so there is nothing to simulate."


def main(
    workshop: Workshop,
    settings: Sequence[str],
    *,
    replications: int,
    monotonic: Callable[[], float],
    every_piece: bool = False,
    stdout: TextIO = sys.stdout,
    stderr: TextIO = sys.stderr,
) -> int:
    """Print the floor now, or now against then; the exit code.

    64 where a setting cannot be understood, 2 where there is nothing to simulate.
    """
    tell = teller("simulations", monotonic, stderr)
    try:
        said = _answer(workshop, settings, replications, tell, every_piece=every_piece)
        print(said, end="", file=stdout)
    except ChangeError as wrong:
        print(wrong, file=stderr)
        return WRONG_USAGE
    except ValueError as wrong:
        print(wrong, file=stderr)
        return NOTHING_THERE
    return 0


def _answer(
    workshop: Workshop, settings: Sequence[str], replications: int, tell: Progress, *,
    every_piece: bool,
) -> str:  # fmt: skip
    """What the command prints. Raises ChangeError for wrong usage, else ValueError."""
    changes = [parse_change(setting) for setting in settings]
    if replications < 2:
        raise ChangeError("At least two replications: one alone can’t show its own error.")
    built = floor_of(workshop)
    floor = built.floor
    then = apply_changes(floor, [by_name(change) for change in changes])
    found = (
        compare(floor, then, replications, progress=tell)
        if changes
        else simulate(floor, replications, progress=tell)
    )
    said = "\n".join(fill(line, WIDTH) for line in _preface(built))
    return f"{said}\n\n{floor_report(found, len(floor.pieces) if every_piece else SHOWN)}"


def floor_of(workshop: Workshop) -> Built:
    """The floor of a studio at this moment, from the log of its last twelve months.

    Raises ValueError where no piece is in work.
    """
    return floor_at(workshop.database, workshop.in_force(), workshop.now())


def floor_at(database: Database, in_force: InForce, now: int) -> Built:
    """The same from a database, at a moment (UTC seconds). Raises ValueError."""
    with database.reading() as db:
        away, machines = absences.standing(db), absences.in_use(db)
        called = {row.id: first_name(row.name) for row in absences.people(db)}
        raw = store.since(db, now - YEAR)
        standing = floor_store.pieces(db, _order_of_work(floor_store.points(db), now, in_force))
        starts = floor_store.starts(db, now - YEAR)
        acts = floor_store.acts(db, now - YEAR)
        ordered = floor_store.ordered_since(db, now - QUARTER)
    if not standing:
        raise ValueError(_NOTHING)
    found = _intervals(raw, now)
    several = several_at_once(found, starts)
    does = skills(starts, now - QUARTER, several) or skills(starts, now - YEAR, several)
    hours = spans_of(in_force.calendar, int(raw.entries.at.min()), now)
    there = presence(acts, in_force.calendar, hours)
    known = _stays(raw, found, now, hours, starts, does, there)
    settings = in_force.settings
    parts = {who: one.part for who, one in there.items()}
    days = int(HORIZON_H / 24)
    missing = parts_there(away, in_force.calendar, now, days)
    parts |= {who: parts.get(who, 1.0) * part for who, part in missing.items() if who in does}
    out = places_out(
        away, [(row.id, row.places, row.makes) for row in machines],
        in_force.calendar.day_of(now), days,
    )  # fmt: skip
    today = Today(
        now, in_force.calendar, settings.blank_on, settings.capacity, does, parts,
        _at_once(found, now - QUARTER), standing, *ordered,
        {_MADE_AT[makes]: places for makes, places in out.items() if makes in _MADE_AT}, called,
        asides(raw.entries, found, hours),
    )  # fmt: skip
    first = build(known, today)
    if not first.floor.pieces:
        raise ValueError(_NOTHING)
    slack = slack_of(known, today, _waits(first.floor))
    built = build(known, today, slack)
    waits = wait_splits(known, today, slack)
    return replace(
        built, waits=waits, away=_said(away, missing, out, in_force.calendar.day_of(now), days)
    )


def _said(
    away: Sequence[Away], missing: Mapping[int, float], out: Mapping[str | None, int],
    today: date, days: int,
) -> tuple[str, ...]:  # fmt: skip
    """Whose absence of the next weeks is counted."""
    last = today + timedelta(days=days)
    ahead = [one for one in away if one.first < last and one.last >= today]
    people = [one for one in ahead if one.account_id in missing]
    machines = [one for one in ahead if one.machine_id is not None] if out else []
    return tuple(dict.fromkeys(one.name for one in (*people, *machines)))


def _waits(floor: Floor) -> dict[str, float]:
    """Mean working hours that pieces wait for hands at each step, by a short simulation."""
    out = simulate(floor, TRIAL)
    part = out.open_hours / floor.horizon_h
    return dict(zip((s.name for s in floor.steps), out.wait_hours().value * part, strict=True))


def _order_of_work(
    points: Mapping[int, str], now: int, in_force: InForce
) -> Callable[[Any], tuple[int, int]]:
    """The rule by which the benches are sorted, by what was forecast last of the order."""
    calendar = in_force.calendar

    def day_of(moment: int | None) -> date | None:
        return None if moment is None else calendar.day_of(moment)

    def rank(row: Any) -> tuple[int, int]:
        needed = date.fromisoformat(row.needed_by) if row.needed_by else None
        chance = None
        if needed is not None and (known := json.loads(points.get(row.order_id, "{}"))):
            left = days_to_leave(in_force, needed, row.ship_country, now)
            chance = chance_within([known[str(percent)] for percent in PERCENTS], left)
        waiting = QueueFacts(
            row.making > 1, row.reworks, needed, chance,
            day_of(row.passed_at), day_of(row.counted_at), calendar.day_of(row.taken_at),
        )  # fmt: skip
        first, second, age = place(waiting, str).rank
        return first, (second << 22) + age

    return rank


def _intervals(raw: store.Raw, now: int) -> Intervals:
    """The intervals of the log; those that are open last until now."""
    found = intervals(raw.entries)
    last = np.append(found.piece[1:] != found.piece[:-1], found.piece.size > 0)
    return replace(found, end=np.where(last, np.maximum(found.start, now), found.end))


def _stays(
    raw: store.Raw, found: Intervals, now: int, hours: WorkAndRest,
    starts: Starts, does: Mapping[int, frozenset[str]], there: Mapping[int, Presence],
) -> Stays:  # fmt: skip
    """The stays of the last year."""
    pieces = ways(raw.copies, raw.entries, hours)
    by_piece = np.zeros(int(found.piece.max()) + 1, dtype=np.int64)
    for copy, row in rows_of(raw.copies).items():
        by_piece[2 * copy + 1] = pieces.sisters[row]
    known = stays(raw.entries, found, by_piece[found.piece], hours, starts, does, there)
    return known.take(known.left >= now - YEAR)


def _at_once(found: Intervals, since: int) -> dict[str, int]:
    """How many pieces of each step were in hand at once lately, at most."""
    lately = found.hand & (found.end > since) & (found.end > found.start)
    return {
        str(step): most_at_once(found.start[mine], found.end[mine])
        for step in NAMES
        for mine in [lately & (found.step == STEP_CODE[step])]
    }


def by_name(change: FloorChange) -> FloorChange:
    """Steps may be named by their short words too: "finishing" is "Model finishing"."""
    step = change.step and _long(change.step)
    return replace(change, step=step, others=tuple(map(_long, change.others)))


def _long(name: str) -> str:
    word = re.sub(r"[\s-]+", "_", name.strip().lower())
    return next((long for step, long in NAMES.items() if str(step) == word), name)


def _preface(built: Built) -> list[str]:
    lines = [
        f"From {built.stays} stays of the last twelve months, by the studio’s own hours. Who does "
        "what, and how much of the time they are there, is read from what people took in hand and "
        "wrote down. What "
        "nobody’s hands explain (drying, gathering for a sitting, waiting for an answer) is drawn "
        "from the log and stays as it is, however many hands there are."
    ]
    if built.notes:
        lines.append(f"Not set, so taken from the log: {'; '.join(built.notes)}.")
    if built.away:
        lines.append(
            f"Absences of the next four weeks are counted, as hours less in them: "
            f"{words.listed(built.away)}."
        )
    if built.parked:
        verb = "is", "are"
        lines.append(
            f"{words.capital(words.count(built.parked, 'piece'))} on hold "
            f"{verb[built.parked != 1]} left out."
        )
    return lines
