"""The page that says how good the photo check is."""

import json
from collections.abc import Iterator
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy import Connection, select, text
from starlette.responses import Response

from app.flow.rules import Entry
from app.flow.store import entry_of_row
from app.photos.check.record import (
    OUTCOMES,
    VERDICTS,
    Check,
    Judged,
    judged_of,
    lost_days,
    reason_words,
    record,
)
from app.shared.web.templating import render
from app.studio.web import TheWorkshop
from app.tables import photo_checks

router = APIRouter()
MOST_NAMED = 12
_COUNTS = frozenset({"stop", "doubt"})
VERDICT_WORDS = {
    "will do": "Will do", "doubtful": "Doubtful", "will not do": "Will not do", "": "Not checked",
}  # fmt: skip
OUTCOME_WORDS = {
    "good": "good", "limits": "good with limits", "asked": "asked again after a build",
    "by_eye": "by eye", "stopped": "stopped before a build",
}  # fmt: skip
_LOGS = text(
    "SELECT * FROM transitions WHERE kind IN ('enter', 'move', 'undo', 'correction')"
    " AND model_id IN (SELECT model_id FROM transitions WHERE move IN"
    " ('good', 'limits', 'by_eye', 'more_views', 'new_set')) ORDER BY model_id, seq"
)
_NAMES = text(
    "SELECT m.id, a.name || ' ' || o.number || '-' || m.letter AS called FROM models m"
    " JOIN orders o ON o.id = m.order_id JOIN animals a ON a.id = m.animal_id"
)


def _logs(db: Connection) -> Iterator[tuple[int, list[Entry]]]:
    """The logs of all models of which a set was judged."""
    own: list[Entry] = []
    model = None
    for row in db.execute(_LOGS).mappings():
        if row["model_id"] != model:
            if model is not None:
                yield model, own
            model, own = row["model_id"], []
        own.append(entry_of_row(row))
    if model is not None:
        yield model, own


def _checks(db: Connection) -> dict[int, list[Check]]:
    c = photo_checks.c
    found: dict[int, list[Check]] = {}
    for row in db.execute(select(c.model_id, c.ended_at, c.verdict, c.result)):
        check = Check(row.ended_at, row.verdict, _codes(row.result))
        found.setdefault(row.model_id, []).append(check)
    return found


def _codes(result: str) -> tuple[str, ...]:
    """The codes of the reasons that stop a set or put it in doubt; none of a broken answer."""
    try:
        reasons = json.loads(result).get("reasons", [])
        return tuple(r["code"] for r in reasons if r.get("weight") in _COUNTS)
    except (ValueError, KeyError, TypeError, AttributeError):
        return ()


@router.get("/photos/record", name="photo_record")
def record_page(request: Request, workshop: TheWorkshop) -> Response:
    """Verdicts against what assessment and build have shown."""
    in_force, now = workshop.in_force(), workshop.now()
    sets: list[Judged] = []
    lost: list[float] = []
    with workshop.database.reading() as db:
        checks = _checks(db)
        for model, log in _logs(db):
            sets.extend(judged_of(model, log, checks.get(model, [])))
            if (days := lost_days(log)) is not None:
                lost.append(days)
        names = {row.id: row.called for row in db.execute(_NAMES)} if checks else {}
    context: dict[str, Any] = {
        "rec": record(sets, lost, in_force.calendar.day_of),
        "verdicts": [(key, VERDICT_WORDS[key]) for key in VERDICTS],
        "outcomes": [(key, OUTCOME_WORDS[key]) for key in OUTCOMES],
        "names": names,
        "most": MOST_NAMED,
        "reason_words": reason_words,
        "now": now,
    }
    return render(request, "photos/check/record.html", context)
