"""What the lead-time page knows, kept in memory and topped up: only orders that moved are read
again. Figures are kept for a while by what was asked for.
"""

import threading
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from app.flow.steps import Step
from app.leadtimes.log import FINISHED, OPEN
from app.leadtimes.working import Worked, split
from app.owner import figures, store, track
from app.owner.figures import Choice, LeadTimes
from app.owner.spans import spans_of
from app.owner.store import Hands, Marks, Raw
from app.owner.ways import CopyWays, both, past_ways, ways
from app.shared.calendar import Calendar
from app.studio.workshop import InForce, Workshop

_LONGEST = max(figures.SPANS)
KEPT_SECONDS = 600
_MOST_KEPT = 40


@dataclass(frozen=True)
class Snapshot:
    """The house at one moment: its pieces' ways, whose hands were on what and what they gave to it,
    its open orders and the record of tellings."""

    marks: Marks
    ways: CopyWays
    hands: Hands
    worked: list[Worked]
    open_orders: list[Any]
    last_told: dict[int, date | None]
    rows: list[tuple[int, int, track.TrackRow]]  # order id, moment of its newest milestone, row


class Knowledge:
    """One workshop's knowledge. Requests ask one after another; the second finds it done."""

    def __init__(self, workshop: Workshop) -> None:
        self.workshop = workshop
        self._turn = threading.Lock()
        self._studio: InForce | None = None
        self._snapshot: Snapshot | None = None
        self._day: date | None = None
        self._figures: dict[tuple[Choice, int], LeadTimes] = {}

    def look(self) -> Snapshot:
        """The house as it stands, read as far as it has changed."""
        with self._turn:
            in_force, now = self.workshop.in_force(), self.workshop.now()
            today = in_force.calendar.day_of(now)
            with self.workshop.database.reading() as db:
                marks = store.marks(db)
                known = self._snapshot if in_force is self._studio else None
                if known is not None and (known.marks, self._day) == (marks, today):
                    return known
                found = self._ways(db, known, marks, in_force.calendar, now)
                hands = store.hands(db, _edge(in_force.calendar, now), now)
                self._snapshot = _snapshot(db, marks, found, hands, in_force.calendar, today)
            self._studio, self._day = in_force, today
            self._figures = {}
            return self._snapshot

    def figures(self, seen: Snapshot, choice: Choice) -> LeadTimes:
        """The figures of a choice, at most ten minutes old."""
        now = self.workshop.now()
        key = (choice, now // KEPT_SECONDS)
        kept = self._figures
        if key not in kept:
            if len(kept) >= _MOST_KEPT:
                kept.clear()
            calendar = self.workshop.in_force().calendar
            kept[key] = figures.figures(
                figures.chosen(seen.ways, choice), _of(seen, choice), calendar, now, choice.months
            )
        return kept[key]

    def _ways(
        self, db: Any, known: Snapshot | None, marks: Marks, calendar: Calendar, now: int
    ) -> CopyWays:
        if known is None or known.marks.imports != marks.imports:
            edge = _edge(calendar, now)
            here = _made(store.since(db, edge), calendar, now)
            return both(past_ways(store.past(db, edge)), here)
        orders = store.changed_orders(db, known.marks)
        if not orders:
            return known.ways
        rest = known.ways.take(~np.isin(known.ways.order, orders))
        return both(rest, _made(store.of_orders(db, orders), calendar, now))


def _edge(calendar: Calendar, now: int) -> int:
    return calendar.start_of(figures.month_starts(calendar, now, _LONGEST)[0])


def _of(seen: Snapshot, choice: Choice) -> list[Worked]:
    """What hands gave to the chosen pieces. The split is of all that somebody held."""
    return [
        one
        for one, kind, remembered in zip(
            seen.worked, seen.hands.kinds, seen.hands.remembered, strict=True
        )
        if choice.kind in ("", kind) and (choice.remembered or not remembered)
    ]


def _made(raw: Raw, calendar: Calendar, now: int) -> CopyWays:
    first = int(raw.entries.at.min(initial=now))
    return ways(raw.copies, raw.entries, spans_of(calendar, first, now))


def _snapshot(
    db: Any, marks: Marks, found: CopyWays, hands: Hands, calendar: Calendar, today: date
) -> Snapshot:
    own = found.take(~found.imported)
    orders = np.unique(own.order).tolist()
    told: dict[int, list[Any]] = {}
    for telling in store.tellings(db, orders):
        told.setdefault(telling.order_id, []).append(telling)
    models: dict[int, list[Any]] = {}
    for model in store.models_of(db, orders):
        models.setdefault(model.order_id, []).append(model)
    rows = []
    for order, ends in order_ends(own, models).items():
        row = track.row_of(ends, told.get(order, []), calendar, today)
        newest = ends.finished_at or ends.passed_at
        if newest is not None:
            rows.append((order, newest, row))
    rows.sort(key=lambda r: r[1], reverse=True)
    last = {
        order: date.fromisoformat(list_[-1].to_day) if list_[-1].to_day else None
        for order, list_ in told.items()
    }
    worked = split(hands.held, calendar)
    return Snapshot(marks, found, hands, worked, list(store.open_orders(db)), last, rows)


def order_ends(found: CopyWays, models: dict[int, list[Any]]) -> dict[int, track.OrderEnds]:
    """What each order's pieces say of it."""
    ends: dict[int, track.OrderEnds] = {}
    ready: dict[int, int] = {}
    still: set[int] = set()
    start: dict[int, int] = {}
    columns = (found.order, found.number, found.outcome, found.ended, found.started)
    numbers: dict[int, int] = {}
    for order, number, outcome, ended, started in zip(*(c.tolist() for c in columns), strict=True):
        numbers[order] = number
        start[order] = min(started, start.get(order, started))
        if outcome == OPEN:
            still.add(order)
        elif outcome == FINISHED:
            ready[order] = max(ended, ready.get(order, 0))
    for order, number in numbers.items():
        mine = models.get(order, [])
        passed = [m.passed_at for m in mine]
        done = [m.last_at for m in mine if m.step == Step.READY]
        ends[order] = track.OrderEnds(
            number,
            _latest(passed, len(mine), start[order]),
            _latest(done, len(mine), start[order]),
            ready.get(order),
            order in still,
        )
    return ends


def _latest(moments: list[int | None], of: int, ordered: int) -> int | None:
    """The last of an order's moments, not before it was ordered; None where one is missing."""
    known = [m for m in moments if m is not None]
    return max(*known, ordered) if known and len(known) == of else None
