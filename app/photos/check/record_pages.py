"""The page that says how good the photo check is."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.photos.check import record_store
from app.photos.check.record import (
    OUTCOMES,
    VERDICTS,
    Judged,
    judged_of,
    lost_days,
    reason_words,
    record,
)
from app.photos.verdicts import verdict_words
from app.shared.web import words
from app.shared.web.templating import render
from app.studio.web import TheWorkshop

router = APIRouter()
MOST_NAMED = 12
OUTCOME_WORDS = {
    "good": "good", "limits": "good, with gaps", "asked": "asked again after a build",
    "by_eye": "sculpt by eye", "stopped": "stopped before a build",
}  # fmt: skip


@router.get("/photos/record", name="photo_record")
def record_page(request: Request, workshop: TheWorkshop) -> Response:
    """Verdicts against what assessment and build have shown."""
    day_of = workshop.in_force().calendar.day_of
    sets: list[Judged] = []
    lost: list[float] = []
    with workshop.database.reading() as db:
        checks = record_store.checks(db)
        for model, log in record_store.logs(db):
            sets.extend(judged_of(model, log, checks.get(model, [])))
            if (days := lost_days(log)) is not None:
                lost.append(days)
        names = record_store.names(db) if checks else {}
    context: dict[str, Any] = {
        "rec": record(sets, lost, day_of),
        "verdicts": [
            (key, words.capital(verdict_words(key)) if key else "Not checked") for key in VERDICTS
        ],
        "outcomes": [(key, OUTCOME_WORDS[key]) for key in OUTCOMES],
        "names": names,
        "most": MOST_NAMED,
        "reason_words": reason_words,
    }
    return render(request, "photos/check/record.html", context)
