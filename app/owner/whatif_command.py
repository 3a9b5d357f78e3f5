"""`likewright whatif`: the floor as it is, and as it would be with more hands, hours, machines."""

import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final, TextIO

import numpy as np

from app.flow.steps import Step
from app.leadtimes.floor import (
    Change,
    ChangeError,
    Floor,
    apply_changes,
    compare,
    floor_report,
    parse_change,
    simulate,
)
from app.leadtimes.floor.outcome import Engine
from app.owner import floor_store, store
from app.owner.floor_now import NAMES, Built, Stays, Today, build, most_at_once, stays
from app.owner.spans import spans_of
from app.owner.spells import STEP_CODE, spells
from app.owner.ways import rows_of, ways
from app.shared.calendar import DAY, Calendar
from app.shared.web import words
from app.studio.workshop import Workshop

WRONG_USAGE: Final = 64
NOTHING_THERE: Final = 2
YEAR, QUARTER = 365 * DAY, 91 * DAY
PATIENCE: Final = 2.0
ENGINES: Final = ("auto", "numpy", "numba")


def main(
    shop: Workshop,
    settings: Sequence[str],
    *,
    replications: int,
    engine: str,
    monotonic: Callable[[], float],
    stdout: TextIO = sys.stdout,
    stderr: TextIO = sys.stderr,
) -> int:
    """Print the floor now, or now against then; the exit code.

    64 where a setting cannot be understood, 2 where there is nothing to simulate.
    """
    try:
        changes = [parse_change(setting) for setting in settings]
        if engine not in ENGINES:
            raise ChangeError(f"“{engine}” is no engine. There are: {', '.join(ENGINES)}.")
        if replications < 2:
            raise ChangeError("Two replications at least: one says nothing about its own error.")
    except ChangeError as wrong:
        print(wrong, file=stderr)
        return WRONG_USAGE
    tell = _teller(monotonic, stderr)
    built = floor_of(shop)
    if not built.floor.pieces:
        print("No piece is in work, so there is nothing to simulate.", file=stderr)
        return NOTHING_THERE
    try:
        then = apply_changes(built.floor, [_by_name(change) for change in changes])
        report = _run(built.floor, then if changes else None, replications, engine, tell)
    except ChangeError as wrong:
        print(wrong, file=stderr)
        return WRONG_USAGE
    except ValueError as wrong:
        print(wrong, file=stderr)
        return NOTHING_THERE
    print("\n".join(_preface(built)), report, sep="\n\n", end="", file=stdout)
    return 0


def _run(
    floor: Floor, then: Floor | None, replications: int, engine: str,
    tell: Callable[[int, int], None],
) -> str:  # fmt: skip
    chosen: Engine = "auto" if engine == "auto" else "numba" if engine == "numba" else "numpy"
    if then is None:
        return floor_report(simulate(floor, replications, engine=chosen, progress=tell))
    return floor_report(compare(floor, then, replications, engine=chosen, progress=tell))


def floor_of(shop: Workshop) -> Built:
    """The floor of a studio at this moment, from the log of its last twelve months."""
    now, studio = shop.now(), shop.studio()
    with shop.house.reading() as db:
        raw = store.since(db, now - YEAR)
        standing = floor_store.pieces(db)
        seen = floor_store.seen_in_hand(db, now - QUARTER)
        ordered = floor_store.ordered_since(db, now - QUARTER)
    known, at_once = _stays(raw, now, studio.calendar) if len(raw.entries) else (_none(), {})
    still = known.following < 0
    worked = dict(zip(known.piece[still].tolist(), known.hands[still].tolist(), strict=True))
    pieces = [replace(row, worked=worked.get(row.log, 0)) for row in standing]
    settings = studio.settings
    today = Today(
        now, studio.calendar, settings.blank_on, settings.capacity, seen, at_once, pieces, ordered
    )
    return build(known, today)


def _stays(raw: store.Raw, now: int, calendar: Calendar) -> tuple[Stays, dict[str, int]]:
    """The stays of the last year, and how many pieces of each step were in hand at once lately."""
    hours = spans_of(calendar, int(raw.entries.at.min()), now)
    found = spells(raw.entries)
    last = np.append(found.piece[1:] != found.piece[:-1], True)
    found = replace(found, end=np.where(last, np.maximum(found.start, now), found.end))
    pieces = ways(raw.copies, raw.entries, hours)
    by_piece = np.zeros(int(found.piece.max()) + 1, dtype=np.int64)
    for copy, row in rows_of(raw.copies).items():
        by_piece[2 * copy + 1] = pieces.sisters[row]
    known = stays(raw.entries, found, by_piece[found.piece], hours)
    lately = found.hand & (found.end > now - QUARTER) & (found.end > found.start)
    at_once = {}
    for step in NAMES:
        mine = lately & (found.step == STEP_CODE[step])
        at_once[str(step)] = most_at_once(found.start[mine], found.end[mine])
    recent = known.left >= now - YEAR
    return Stays(*(getattr(known, name)[recent] for name in Stays.__annotations__)), at_once


def _none() -> Stays:
    nothing = np.zeros(0, dtype=np.int64)
    return Stays(nothing, nothing, nothing, nothing, nothing, nothing, nothing)


def _by_name(change: Change) -> Change:
    """A step may be named by its short word too: "finishing" is "Model finishing"."""
    if change.step is None:
        return change
    word = re.sub(r"[\s-]+", "_", change.step.strip().lower())
    step = next((s for s in NAMES if str(s) == word), None)
    return replace(change, step=NAMES[Step(step)]) if step is not None else change


def _preface(built: Built) -> list[str]:
    lines = [f"From {built.stays} stays of the last twelve months, by the studio’s own hours."]
    if built.notes:
        lines.append(f"Not set, so taken from the log: {'; '.join(built.notes)}.")
    if built.parked:
        verb = "is", "are"
        lines.append(
            f"{words.capital(words.count(built.parked, 'piece'))} on hold "
            f"{verb[built.parked != 1]} left out."
        )
    lines.append(
        "People are taken to belong to one step; somebody who works at three is counted at each, "
        "so that true waits are longer. Read the differences rather than the days."
    )
    return lines


def _teller(monotonic: Callable[[], float], stderr: TextIO) -> Callable[[int, int], None]:
    """Tells progress at most once in PATIENCE seconds, and nothing of what is done sooner."""
    last = monotonic()

    def tell(done: int, of: int) -> None:
        nonlocal last
        if done < of and monotonic() - last >= PATIENCE:
            last = monotonic()
            print(f"{done} of {of} simulations", file=stderr, flush=True)

    return tell
