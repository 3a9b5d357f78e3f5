"""What the page of one month shows: every piece that left, and the month's figures."""

import re
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from starlette.requests import Request

from app.flow.steps import TimeClass
from app.leadtimes.log import DAY, FINISHED
from app.owner import answers, figures, rework, rework_page, track
from app.owner.intervals import CLASS_LIST
from app.owner.lead_times import known_of
from app.owner.month.store import WhosePiece, whose
from app.owner.ways import CopyWays
from app.shared.errors import NotFound
from app.studio.workshop import Workshop

_MONTH = re.compile(r"(\d{4})-(0[1-9]|1[0-2])")
_NO_MONTH = "There is no such month here."


@dataclass(frozen=True, slots=True)
class Left:
    """A piece that left: whose, ordered and left on which days, after how many; how many of them
    were the customer's (None where the piece came with a sheet, which doesn't say)."""

    whose: WhosePiece
    ordered: date
    left: date
    days: float
    customers: float | None


def page(request: Request, workshop: Workshop, month: str) -> dict[str, Any]:
    """The month named as 2026-10. Raises NotFound for none, and for one beyond what is counted."""
    known = known_of(request, workshop)
    seen, in_force, now = known.look(), workshop.in_force(), workshop.now()
    calendar = in_force.calendar
    starts = figures.month_starts(calendar, now, max(figures.SPANS))
    start = _named(month)
    if start not in starts[:-1]:
        raise NotFound(_NO_MONTH)
    place = starts.index(start)
    edges = [calendar.start_of(day) for day in starts[place : place + 2]]
    ways = seen.ways
    out = ways.take((ways.outcome == FINISHED) & _within(ways.ended, edges))
    out = out.take(np.argsort(out.ended, kind="stable"))
    begun = ways.take(_within(ways.started, edges))
    with workshop.database.reading() as db:
        of = whose(db, out.root.tolist())
        logs, said = rework_page.logs(db, edges[0]), rework_page.said(db, edges[0])
    found = [one for log in logs for one in rework.findings_of(log, said, calendar, now)]
    found = [one for one in found if edges[0] <= one.at < edges[1]]
    ready = [row for _, _, row in seen.rows if row.ready and start <= row.ready < starts[place + 1]]
    return {
        "start": start,
        "before": starts[place - 1] if place else None,
        "after": starts[place + 1] if place + 2 < len(starts) else None,
        "unfinished": place + 2 == len(starts),
        "left": _left(out, of, calendar.day_of),
        "of_month": figures.by_finishing(out, starts[place : place + 2], edges)[0],
        "begun": len(begun),
        "orders": len(set(begun.order.tolist())),
        "where": figures.where_the_days_go(out, edges[0]),
        "class_words": answers.CLASS_WORDS,
        "tenths": answers.tenths,
        "share_words": answers.share_words,
        "record": track.record_of([row.passed_was for row in ready]),
        "causes": rework.by_cause(found),
        "found": len(found),
        "today": calendar.day_of(now),
        "enough": figures.ENOUGH,
    }


def _named(month: str) -> date:
    found = _MONTH.fullmatch(month)
    if found is None or found[1] == "0000":
        raise NotFound(_NO_MONTH)
    return date(int(found[1]), int(found[2]), 1)


def _within(moments: Any, edges: list[int]) -> Any:
    return (moments >= edges[0]) & (moments < edges[1])


def _left(out: CopyWays, of: Any, day_of: Any) -> list[Left]:
    customers = out.seconds[:, :, CLASS_LIST.index(TimeClass.CUSTOMER)].sum(axis=1)
    columns = (out.root, out.started, out.ended, out.whole, customers)
    return [
        Left(
            of[root], day_of(started), day_of(ended), (ended - started) / DAY,
            theirs / DAY if whole else None,
        )
        for root, started, ended, whole, theirs in zip(*(c.tolist() for c in columns), strict=True)
        if root in of
    ]  # fmt: skip
