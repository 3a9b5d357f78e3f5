"""The studio's own record: its log of transitions as the stays of pieces, for the statistics.

A piece, here, is what the customer waits for: a copy with the steps of the model it waited for
before its own, and with the remakes that replaced it after. It has finished when it was handed
over, whatever became of it then: what is made again for one that was lost is a piece of its own,
and repairs are left out. What was undone is left out, what was corrected counts in its right form.
Pieces brought in from before are in its log, too, under negative numbers (past.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, text

from app.flow.after.cases import FIRST_OF_CASES, REPAIRS
from app.flow.groups import SLOWEST
from app.flow.steps import BENCHES, ENDS, MAKING_STEPS, STEPS, Step
from app.leadtimes.forecast.defaults import Defaults, spanning
from app.leadtimes.log import Ints, StayLog, make_log
from app.leadtimes.survival import Floats
from app.leadtimes.usual import usual_and_slow
from app.orders.forecast import marks as record_marks
from app.orders.forecast import past
from app.shared.calendar import DAY
from app.studio.workshop import Pace

YEAR = 365 * DAY
# The steps of a piece's way until it leaves the house; the index is the code in the arrays.
WAY: tuple[Step, ...] = tuple(step for step in BENCHES if step is not Step.HANDED_OVER)
# Codes of all steps, as the database writes them.
_STEP = {str(step): code for code, step in enumerate(Step)}
_CODE = np.array([WAY.index(step) if step in WAY else -1 for step in Step])
_ENDS = np.array([step in ENDS for step in Step])
_MOVES = ("enter", "move")
_ASKS = {"ask": 1, "answer": -1}
_ABOUT = ("undo", "correction")

_LOG = text(
    "SELECT id, coalesce(model_id, -copy_id) AS piece, kind, to_step, happened_at,"  # noqa: S608
    " CASE WHEN time_is = 'imported' THEN recorded_at END AS written, about_id FROM transitions"
    " WHERE kind IN ('enter', 'move', 'ask', 'answer', 'undo', 'correction')"
    " AND NOT (kind IN ('ask', 'answer') AND move IN ('part', 'unasked'))"
    f" AND (copy_id IS NULL OR copy_id NOT IN ({REPAIRS})) ORDER BY id"
)
_MAKING = " ".join((Step.NOT_BEGUN, *MAKING_STEPS))
_COPIES = text(
    "SELECT c.id, coalesce(s.model_id, c.model_id) AS model_id, m.follows_id,"  # noqa: S608
    " c.order_id,"
    f" CASE WHEN c.id NOT IN ({FIRST_OF_CASES}) THEN c.replaces_id END AS replaces_id,"
    " c.step, c.letter, c.size_mm,"
    " a.id AS animal_id, a.life, o.needed_by,"
    " CASE WHEN c.open AND c.hold_whose != '' THEN c.hold_look_on"
    " WHEN c.open AND m.open AND m.hold_whose != '' THEN m.hold_look_on"
    " WHEN c.open AND c.gates IS NOT NULL THEN (SELECT max(p.due_on) FROM parts p"
    " WHERE p.order_id = c.order_id AND (p.copy_id IS NULL OR p.copy_id = c.id)"
    f" AND instr('{_MAKING}', p.before_step) <= instr('{_MAKING}', c.step)"
    " AND p.here_at IS NULL AND p.gone_at IS NULL AND p.overridden_at IS NULL) END AS rests_until"
    f" FROM copies c LEFT JOIN {SLOWEST} s ON s.copy_id = c.id JOIN orders o ON o.id = c.order_id"
    " JOIN models m ON m.id = coalesce(s.model_id, c.model_id)"
    " JOIN order_animals oa ON oa.id = c.order_animal_id JOIN animals a ON a.id = oa.animal_id"
    f" WHERE c.withdrawn = 0 AND c.id NOT IN ({REPAIRS}) ORDER BY c.id"
)


@dataclass(frozen=True, slots=True)
class OwnStays:
    """The stays of models and copies, by piece and in order of the log; ends are none.

    A copy's `piece` is its id, negative. `step` and `then` (the step it left for, -1 while open)
    are places in Step; `entered`, `left` (nan while open) and `watched` UTC seconds. `watched` is
    the moment at which a piece that was under way was written down, nan for all others.
    """

    piece: Ints
    step: Ints
    entered: Floats
    left: Floats
    then: Ints
    watched: Floats


@dataclass(frozen=True, slots=True)
class StayRecord:
    """The pieces' stays, which order each piece belongs to, its newest copy (its own id, or that of
    the last remake), and the stays of models and copies.

    `resting` has the pieces that are on hold, with the day (ISO) on which they are looked at again,
    and those that wait where they are for a part, with the day on which it is due.
    """

    log: StayLog
    order_of: dict[int, int]
    last_transition: int
    own: OwnStays
    newest: dict[int, int]
    resting: dict[int, str] = field(default_factory=dict)


def last_transition(db: Connection) -> int:
    """The number of the newest entry of the log."""
    found: int = db.execute(text("SELECT coalesce(max(id), 0) FROM transitions")).scalar_one()
    return found


def read(db: Connection) -> StayRecord:
    """The whole record. Holds what one consistent view of the database shows.

    Marks of a stay are what was known when it was entered: record_marks names them.
    """
    last = last_transition(db)
    lines = _lines(db)
    own = _own_stays(lines)
    rows = db.execute(_COPIES).all()
    # A remake goes on where the piece that it replaces ended.
    root: dict[int, int] = {}
    for row in rows:
        root[row.id] = root.get(row.replaces_id, row.id)
    copy, stay, entered, left = _ways(rows, own)
    keys = np.array([root[row.id] for row in rows], dtype=np.int64)[copy]
    given_up = _given_up(rows, own)[copy]
    asked = [(row[1], row[4], _ASKS[row[2]]) for row in lines if row[2] in _ASKS]
    entries = record_marks.Entries(copy, own.piece[stay], own.step[stay], entered)
    marks = record_marks.of(db, rows, keys, entries, asked)
    before = past.read(db, WAY)
    none = np.full(len(before), np.nan)
    log = make_log(
        np.concatenate((keys, before.piece)),
        np.concatenate((_CODE[own.step[stay]], before.step)),
        np.concatenate((entered, before.entered)), np.concatenate((left, before.left)),
        np.concatenate((given_up, before.cancelled)),
        steps=[str(step) for step in WAY],
        watched_from=np.concatenate((own.watched[stay], none)),
        marks={name: np.concatenate((column, none)) for name, column in marks.items()},
        blurred=np.arange(keys.size + len(before)) >= keys.size,
    )  # fmt: skip
    order_of = {root[row.id]: row.order_id for row in rows}
    newest = {root[row.id]: row.id for row in rows}
    resting = {root[row.id]: row.rests_until for row in rows if row.rests_until}
    return StayRecord(log, order_of, last, own, newest, resting)


def _given_up(rows: Sequence[Any], own: OwnStays) -> NDArray[np.bool_]:
    """Which copies were cancelled before they left: one that was lost on the way had left."""
    cancelled = np.array([row.step == Step.CANCELLED for row in rows], dtype=bool)
    last = np.searchsorted(own.piece, [-row.id for row in rows], "right") - 1
    here: NDArray[np.bool_] = own.step[last] != _STEP[Step.HANDED_OVER]
    return cancelled & here


def _lines(db: Connection) -> list[tuple[Any, ...]]:
    """The lines of all logs as they should have been (the rules of flow.rules.effective)."""
    rows: list[tuple[Any, ...]] = [tuple(row) for row in db.execute(_LOG)]
    about = {kind: {row[6]: row for row in rows if row[2] == kind} for kind in _ABOUT}
    undone, corrected = about["undo"], about["correction"]
    found = []
    for row in rows:
        if row[2] in _ABOUT or row[0] in undone:
            continue
        if (right := corrected.get(row[0])) is not None:
            if right[3] is None:
                continue
            row = (*row[:3], right[3], right[4], row[5])
        found.append(row)
    return found


def _own_stays(lines: Sequence[tuple[Any, ...]]) -> OwnStays:
    rows = [row for row in lines if row[2] in _MOVES]
    piece = np.array([row[1] for row in rows], dtype=np.int64)
    step = np.array([_STEP[row[3]] for row in rows], dtype=np.int64)
    at = np.array([row[4] for row in rows], dtype=float)
    written = np.array([row[5] for row in rows], dtype=float)  # None becomes nan
    order = np.argsort(piece, kind="stable")
    piece, step, at = piece[order], step[order], at[order]
    more = np.append(piece[1:] == piece[:-1], False)[: piece.size]
    left = np.where(more, np.append(at[1:], 0.0)[: at.size], np.nan)
    then = np.where(more, np.append(step[1:], 0)[: at.size], -1)
    stays = ~_ENDS[step]
    _, place = np.unique(piece, return_inverse=True)
    latest = np.full(place.max(initial=-1) + 1, np.nan)
    np.fmax.at(latest, place, written[order])
    watched = latest[place]
    return OwnStays(piece[stays], step[stays], at[stays], left[stays], then[stays], watched[stays])


def _ways(copies: Sequence[Any], own: OwnStays) -> tuple[Ints, Ints, Floats, Floats]:
    """Every copy's way: its model's stays while it waited for them, then its own.

    One entry a stay, in order: the place of the copy in `copies`, of the stay in `own`, and when
    the copy entered and left it.
    """
    ids = np.array([row.id for row in copies], dtype=np.int64)
    begins, ends = (np.searchsorted(own.piece, -ids, side) for side in ("left", "right"))
    copy, stay = _spread(begins, ends)
    known = np.flatnonzero(begins < ends)
    waits = known[own.step[begins[known]] == _STEP[Step.NOT_BEGUN]]
    models = np.array([row.model_id for row in copies], dtype=np.int64)
    follows = np.array([row.follows_id or -1 for row in copies], dtype=np.int64)
    waits, models, until = _with_the_one_before(waits, models[waits], follows[waits], own)
    row, theirs = _spread(*(np.searchsorted(own.piece, models, s) for s in ("left", "right")))
    waiting = waits[row]
    first = begins[waiting]
    over = np.fmin(own.left[theirs], until[row]) <= own.entered[first]
    late = own.entered[theirs] >= np.fmin(own.left[first], until[row])
    kept = ~over & ~late & (_CODE[own.step[theirs]] >= 0)
    waiting, theirs, first, until = waiting[kept], theirs[kept], first[kept], until[row][kept]
    mine = _CODE[own.step[stay]] >= 0
    copy, stay = copy[mine], stay[mine]
    # A copy that joined later has waited since it joined.
    entered = np.concatenate((np.maximum(own.entered[theirs], own.entered[first]),
                              own.entered[stay]))  # fmt: skip
    gone = np.where(np.isnan(own.left[theirs]), own.left[first], own.left[theirs])
    gone = np.where(np.isnan(until), gone, np.fmin(gone, until))
    left = np.concatenate((gone, own.left[stay]))
    whose = np.concatenate((waiting, copy))
    order = np.argsort(whose, kind="stable")
    return whose[order], np.concatenate((theirs, stay))[order], entered[order], left[order]


def _with_the_one_before(
    waits: Ints, models: Ints, follows: Ints, own: OwnStays
) -> tuple[Ints, Ints, Floats]:
    """For copies that waited, which models they waited for and until when (nan: to its end).

    A version in another pose came of the model it follows: until then that is what was waited for.
    """
    begins, ends = (np.searchsorted(own.piece, models, side) for side in ("left", "right"))
    later = np.flatnonzero((follows >= 0) & (begins < ends))
    until = np.insert(np.full(models.size, np.nan), later, own.entered[begins[later]])
    return np.insert(waits, later, waits[later]), np.insert(models, later, follows[later]), until


def _spread(begins: Ints, ends: Ints) -> tuple[Ints, Ints]:
    """Ranges written out: for each number of each [begin, end) its range's place, and itself."""
    counts = ends - begins
    row = np.repeat(np.arange(counts.size), counts)
    return row, np.arange(row.size) + np.repeat(begins - (np.cumsum(counts) - counts), counts)


def pace_of(known: StayRecord, now: int) -> Pace:
    """Usual and slow stays of each step from the last twelve months, open stays counted.

    A stay counts for the part of it that lies in these twelve months, and one that a cancelling
    ended for as long as it lasted. With fewer than twenty stays a step keeps what is usual in the
    trade, and says so.
    """
    return {step: _pace_of_step(step, known.own, now) for step in BENCHES}


def _pace_of_step(step: Step, own: OwnStays, now: int) -> tuple[float, float, bool]:
    facts = STEPS[step]
    mine = own.step == _STEP[step]
    then = own.then[mine]
    given_up = then == _STEP[Step.CANCELLED]
    if step is Step.HANDED_OVER:
        # What was lost, or came back, was not delivered: it had been under way for so long.
        given_up = (then >= 0) & (then != _STEP[Step.RECEIVED])
    found = usual_and_slow(
        own.entered[mine],
        own.left[mine],
        now,
        known_from=np.fmax(own.watched[mine], now - YEAR),
        given_up=given_up,
    )
    if found is None or found.median is None or found.slow is None:
        return float(facts.usual), float(facts.slow), False
    return found.median, found.slow, True


def defaults(our_weeks: tuple[int, int] | None = None) -> Defaults:
    """Days that remain from entering each step, by what is usual in the trade, or by that stretched
    to the studio's own usual weeks from the photos' passing on.

    Medians add up along the way; the slow points add up in squares about the median, as if steps
    were independent (common practice, no source).
    """
    usual = np.array([STEPS[step].usual for step in WAY], dtype=float)
    extra = np.array([STEPS[step].slow - STEPS[step].usual for step in WAY], dtype=float)
    median = np.cumsum(usual[::-1])[::-1]
    spread = np.sqrt(np.cumsum((extra**2)[::-1])[::-1])
    found = Defaults(median, median + spread)
    if our_weeks is None:
        return found
    return spanning(found, WAY.index(Step.FINISHING), 7.0 * our_weeks[0], 7.0 * our_weeks[1])
