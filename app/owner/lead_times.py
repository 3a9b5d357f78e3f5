"""What the lead-time page says: six answers, then charts, each drawn from the table under it."""

from collections.abc import Sequence
from datetime import date
from itertools import dropwhile
from typing import Any

from starlette.requests import Request

from app.owner import answers, figures, track, trend
from app.owner.figures import Choice, LeadTimes
from app.owner.known import Knowledge, Snapshot
from app.owner.today.store import said_of_needed
from app.owner.track import MilestoneRecord, TrackRow
from app.owner.what_if import store
from app.shared.carriers import last_leaving
from app.studio.workshop import InForce, Workshop

_ROWS_AT_FIRST = 120
_YEAR = Choice()


def known_of(request: Request, workshop: Workshop) -> Knowledge:
    """What the page knows of this workshop, kept as long as the site runs."""
    state = request.app.state
    if not hasattr(state, "lead_times"):
        state.lead_times = Knowledge(workshop)
    known: Knowledge = state.lead_times
    return known


def read_choice(months: str, kind: str, remembered: str) -> Choice:
    """The choice in an address; what is not known there counts as not said."""
    spans = {str(n): n for n in figures.SPANS}
    return Choice(spans.get(months, _YEAR.months), kind, remembered != "out")


def page(
    request: Request, workshop: Workshop, months: str, kind: str, remembered: str, *, whole: bool
) -> dict[str, Any]:
    """What the page shows of the months, the kind and the remembered that its address names.

    `whole` shows every row of the track record, not the first ones only.
    """
    known = known_of(request, workshop)
    seen = known.look()
    kinds = sorted({k for k in seen.ways.kind.tolist() if k})
    choice = read_choice(months, kind if kind in kinds else "", remembered)
    found = known.figures(seen, choice)
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        waits, waits_at = store.waits(db)
        needed = said_of_needed(db, in_force.calendar.day_of(now).isoformat())
    record = told_rows(seen, choice, found.finishing[0].start, workshop)
    return {
        "answers": six_answers(known, seen, workshop),
        "choice": choice,
        "kinds": kinds,
        "spans": figures.SPANS,
        "found": found,
        "corners": corners,
        "finishing": list(dropwhile(lambda month: not month.days, found.finishing)),
        "starting": [month for month in found.starting if month.pieces],
        "class_words": answers.CLASS_WORDS,
        "tenths": answers.tenths,
        "waits": waits,
        "waits_at": waits_at,
        "share_words": answers.share_words,
        "record": record,
        "passed": _record(record, "passed_was"),
        "finished": _record(record, "finished_was"),
        "csv_tables": _csv_tables(found, waits=bool(waits), record=bool(record)),
        "chances": track.chances_kept(_in_time(needed, in_force)),
        "quarters": track.by_quarter(record),
        "since": found.finishing[0].start,
        "shown": record if whole else record[:_ROWS_AT_FIRST],
        "today": in_force.calendar.day_of(now),
        "trend": trend.worse(figures.chosen(seen.ways, choice), in_force.calendar, now),
        "weeks_needed": trend.WEEKS_TO_LEARN * 3 // 2,
        "RangeOutcome": track.RangeOutcome,
        "enough": figures.ENOUGH,
    }


def _csv_tables(found: LeadTimes, *, waits: bool, record: bool) -> list[tuple[str, str]]:
    """The tables that the page has, by the ends of their ids, with their names."""
    every = (
        ("finishing", "finished each month", found.enough),
        ("starting", "ordered each month", found.enough),
        ("where", "where the days go", found.enough and found.where is not None),
        ("waiting", "what the waiting is made of", found.enough and waits),
        ("steady", "is it steady", found.enough),
        ("track", "dates we gave", record),
        ("quarters", "dates by quarter", record),
    )
    return [(id_, name) for id_, name, there in every if there]


def _in_time(rows: Sequence[Any], in_force: InForce) -> list[tuple[float, bool]]:
    """Of orders whose needed day has passed: the chance said of each, and whether all of it left in
    time to arrive. One of which nothing ever left and nothing is here was cancelled: left out."""
    found = []
    for row in rows:
        if row.left_at is None and not row.here:
            continue
        last = last_leaving(date.fromisoformat(row.needed_by), in_force.journey(row.ship_country))
        left = not row.here and row.left_at is not None
        kept = left and in_force.calendar.day_of(row.left_at) <= last
        found.append((row.thousandths / 1000, kept))
    return found


def told_rows(seen: Snapshot, choice: Choice, since: date, workshop: Workshop) -> list[TrackRow]:
    """The rows of the track record: orders of the chosen pieces, told of within the span."""
    edge = workshop.in_force().calendar.start_of(since)
    orders = set(figures.chosen(seen.ways, choice).order.tolist())
    return [
        row
        for order, at, row in seen.rows
        if at >= edge and order in orders and (row.passed or row.finished)
    ]


def _record(rows: list[TrackRow], name: str) -> MilestoneRecord:
    return track.record_of([getattr(row, name) for row in rows])


def six_answers(known: Knowledge, seen: Snapshot, workshop: Workshop) -> list[answers.Answer]:
    """The answers, of the whole house and the last twelve months, whatever was chosen."""
    now, in_force = workshop.now(), workshop.in_force()
    calendar = in_force.calendar
    today = calendar.day_of(now)
    year = known.figures(seen, _YEAR)
    record = _record(told_rows(seen, _YEAR, year.finishing[0].start, workshop), "passed_was")
    return [
        answers.how_long(seen.ways, now),
        answers.where(year.where, year.working),
        answers.promise(workshop.days_from_passing(), today, calendar),
        answers.how_often(record),
        answers.late(seen.ways, seen.open_orders, seen.last_told, in_force.journey, today),
        answers.on_the_way(seen.ways),
    ]


def corners(month: Any, most: int = 80) -> str:
    """A month's curve as the chart reads it: "days,share days,share"."""
    steps = month.steps()
    every = max(1, len(steps) // most)
    kept = [*steps[:-1:every], steps[-1]]
    return " ".join(f"{day:g},{share:g}" for day, share in kept)
