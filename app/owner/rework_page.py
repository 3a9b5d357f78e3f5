"""What the page about rework says, read from the log and counted."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, text

from app.flow.rules import Entry, effective
from app.flow.steps import MoveKey
from app.flow.store import ENTRY_COLUMNS, entry_of
from app.owner import figures, rework
from app.owner.lead_times import read_choice
from app.owner.rework import ReworkFigures, Said
from app.shared.calendar import Calendar
from app.studio.workshop import Workshop

_COPIES = "SELECT id FROM copies WHERE withdrawn = 0 AND (open = 1 OR last_at >= :since)"
_LOGS = text(
    f"SELECT copy_id, {', '.join(ENTRY_COLUMNS)} FROM transitions"  # noqa: S608
    f" WHERE copy_id IN ({_COPIES}) ORDER BY copy_id, seq"
)
_SAID = text(
    "SELECT transition_id, area, kind, found_by = 'customer' FROM findings"  # noqa: S608
    f" WHERE copy_id IN ({_COPIES})"
)


def logs(db: Connection, since: int) -> list[list[Entry]]:
    """The logs of the copies to which something has happened since a moment (UTC seconds)."""
    found: dict[int, list[Entry]] = {}
    for row in db.execute(_LOGS, {"since": since}):
        found.setdefault(row[0], []).append(entry_of(row[1:]))
    return list(found.values())


def said(db: Connection, since: int) -> Said:
    """What is said beside the entries that found something, by entry."""
    return {row[0]: (row[1], row[2], bool(row[3])) for row in db.execute(_SAID, {"since": since})}


def count(
    every: Sequence[Sequence[Entry]], beside: Said, calendar: Calendar, now: int, months: int
) -> ReworkFigures:
    """The figures of the last months, the unfinished one included."""
    starts = figures.month_starts(calendar, now, months)
    edges = [calendar.start_of(day) for day in starts]
    since = edges[0]
    all_found = [one for log in every for one in rework.findings_of(log, beside, calendar, now)]
    found = [one for one in all_found if since <= one.at <= now]
    back = sum(
        entry.move == MoveKey.CAME_BACK and entry.happened_at >= since
        for log in every
        for entry in effective(log)
    )
    passes = rework.first_passes(every, since, now + 1)
    began = min((log[0].happened_at for log in every if log), default=now)
    # A month before the first piece would read as one without a fault.
    seen = sum(end <= began for end in edges[1:])
    return ReworkFigures(
        passes=passes,
        rolled=rework.rolled(passes),
        straight=rework.straight(every, since, now + 1),
        found=found,
        kinds=rework.pareto(Counter(one.label for one in found)),
        causes=rework.by_cause(found),
        months=rework.by_month(found, starts[seen:], edges[seen:]),
        lost=rework.lost(found, back),
    )


def page(workshop: Workshop, months: str) -> dict[str, Any]:
    """What the page shows of the months that its address names."""
    chosen, now = read_choice(months, "", "").months, workshop.now()
    in_force = workshop.in_force()
    calendar, rates = in_force.calendar, in_force.settings
    since = calendar.start_of(figures.month_starts(calendar, now, chosen)[0])
    with workshop.database.reading() as db:
        found = count(logs(db, since), said(db, since), calendar, now, chosen)
    set_rates = (rates.hour_rate, rates.piece_rate, rates.sending_rate)
    return {
        "found": found,
        "months": chosen,
        "spans": figures.SPANS,
        "enough": figures.ENOUGH,
        "rates": set_rates if any(set_rates) else (),
        "cost": found.lost.cost(*set_rates),
    }
