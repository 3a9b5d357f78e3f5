"""What the studio knew of a stay on the day on which it was entered, as columns by stay. No later.

    remembered          1 where the animal has died, 0 else
    waits_for_customer  1 where the step waits for the customer or a question to them was open
    under_way           1 where the order was under way when it was written down
    copies              copies of the order that had begun by then
    animals             animals of the order whose copies had begun by then
    size_mm             the copy's size, -1 where none was said
    days_to_needed      days until the day on which it is needed, NEVER_NEEDED where there is none

What was edited since counts as it was then, as far as the house has kept who changed what.
"""

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
from sqlalchemy import Connection, text

from app.flow.steps import STEPS, Step, TimeClass
from app.leadtimes.log import Ints
from app.leadtimes.survival import Bools, Floats
from app.shared.calendar import DAY

NEVER_NEEDED: Final = 1000.0  # days; also the furthest off that a needed day counts
_EPOCH: Final = date(1970, 1, 1)
_OWNERS: Final = (
    1 << 34
)  # seconds of one owner's line of time, laid end to end: until the year 2514
_ASKS_CUSTOMER = np.array(
    [step in STEPS and STEPS[step].waits_for is TimeClass.CUSTOMER for step in Step], dtype=bool
)
_UNDER_WAY = text("SELECT id FROM orders WHERE imported = 1")
_EDITED = text("SELECT of_id, at, before FROM changes WHERE \"of\" = :of AND field = :field"
               " ORDER BY at, id")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Entries:
    """Stays as they were entered: the copy's place, whose log the stay is in, its step, when."""

    copy: Ints
    owner: Ints
    step: Ints
    entered: Floats


def of(
    db: Connection, copies: Sequence[Any], piece: Ints, entries: Entries, asked: Sequence[Any]
) -> dict[str, Floats]:
    """The columns by name, one number a stay.

    `copies` are rows with order_id, letter, size_mm, animal_id, life and needed_by; `piece` is each
    stay's piece; `asked` rows of owner, moment, and 1 for a question or -1 for its answer.
    """
    order = np.array([row.order_id for row in copies], dtype=np.int64)[entries.copy]
    letter = np.array([ord(row.letter[:1] or "A") for row in copies])[entries.copy]
    imported = np.array(list(db.execute(_UNDER_WAY).scalars()), dtype=np.int64)
    open_questions = _open_questions(asked, entries)
    as_then = _as_then(db, copies, entries)
    needed = as_then("orders", "needed_by", "order_id", _needed)
    days = np.clip(needed - entries.entered / DAY, -NEVER_NEEDED, NEVER_NEEDED)
    return {
        "remembered": as_then("animals", "life", "animal_id", _remembered),
        "waits_for_customer": (_ASKS_CUSTOMER[entries.step] | open_questions).astype(float),
        "under_way": np.isin(order, imported).astype(float),
        "copies": _begun(order, piece, entries.entered),
        "animals": _begun(order, order * 256 + letter, entries.entered),
        "size_mm": as_then("copies", "size_mm", "id", _size),
        "days_to_needed": days,
    }


def _remembered(life: str | None) -> float:
    return float(life == "remembered")


def _size(size: int | str | None) -> float:
    return -1.0 if size is None else float(size)


def _needed(day: str | None) -> float:
    """The needed day as days since 1970, far off where there is none."""
    return float((date.fromisoformat(day) - _EPOCH).days) if day else 1e9


_Read = Callable[[Any], float]


def _as_then(
    db: Connection, copies: Sequence[Any], entries: Entries
) -> Callable[[str, str, str, _Read], Floats]:
    """Reads a field of each stay's copy, order or animal as it stood when the stay was entered."""

    def read(table: str, field: str, key: str, value: _Read) -> Floats:
        found = np.array([value(getattr(row, field)) for row in copies], dtype=float)[entries.copy]
        edits: dict[int, list[tuple[int, Any]]] = {}
        for of_id, at, before in db.execute(_EDITED, {"of": table, "field": field}):
            edits.setdefault(of_id, []).append((at, before))
        if edits:
            ids = np.array([getattr(row, key) for row in copies], dtype=np.int64)[entries.copy]
            _take_back(found, ids, entries.entered, edits, value)
        return found

    return read


def _take_back(
    found: Floats,
    ids: Ints,
    entered: Floats,
    edits: Mapping[int, list[tuple[int, Any]]],
    value: _Read,
) -> None:
    """Put what stood before the first later edit into the rows that were entered before it."""
    for row in np.flatnonzero(np.isin(ids, list(edits))).tolist():
        line = edits[int(ids[row])]
        later = bisect_right(line, entered[row], key=lambda edit: edit[0])
        if later < len(line):
            found[row] = value(line[later][1])


def _begun(group: Ints, member: Ints, entered: Floats) -> Floats:
    """How many members of each stay's group had begun (with their first stay) by its entering."""
    order = np.lexsort((entered, member))
    first = np.ones(order.size, dtype=bool)
    first[1:] = member[order][1:] != member[order][:-1]
    begun = order[first]
    line = np.sort(_placed(group[begun], entered[begun]))
    since = np.searchsorted(line, _placed(group, np.zeros(group.size)), "left")
    return (np.searchsorted(line, _placed(group, entered), "right") - since).astype(float)


def _open_questions(asked: Sequence[Any], entries: Entries) -> Bools:
    """Whether a question to the customer was open in the stay's own log as it was entered."""
    owner = np.array([row[0] for row in asked], dtype=np.int64)
    line = _placed(owner, np.array([row[1] for row in asked], dtype=float))
    order = np.argsort(line, kind="stable")
    more = np.array([row[2] for row in asked], dtype=np.int64)[order]
    running = np.concatenate(([0], np.cumsum(more)))
    upto = np.searchsorted(line[order], _placed(entries.owner, entries.entered), "right")
    since = np.searchsorted(line[order], _placed(entries.owner, np.zeros(upto.size)), "left")
    found: Bools = running[upto] > running[since]
    return found


def _placed(owner: Ints, moment: Floats) -> Ints:
    """One number for an owner and a moment, in order of both."""
    placed: Ints = owner * _OWNERS + moment.astype(np.int64)
    return placed
