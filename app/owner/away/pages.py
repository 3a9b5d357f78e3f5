"""The page of absences."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.owner.away import actions, store
from app.owner.away.actions import AbsenceFields
from app.shared.errors import BadFields
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.get("/absences", name="absences")
def absences(request: Request, workshop: TheWorkshop) -> Response:
    """Who is away, now and to come."""
    return _page(request, workshop, {}, {})


@router.post("/absences", name="absence_add")
def add(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Note that somebody is away, or a machine out of use."""
    try:
        actions.add(workshop, check(AbsenceFields, form.plain()), me)
    except BadFields as why:
        return _page(request, workshop, form.plain(), why.fields, 422)
    return go(request, "/absences")


@router.post("/absences/{id_:int}/take-back", name="absence_take_back")
def take_back(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """Strike an absence."""
    actions.take_back(workshop, id_)
    return go(request, "/absences")


def _page(
    request: Request,
    workshop: Workshop,
    typed: dict[str, str],
    errors: dict[str, str],
    status: int = 200,
) -> Response:
    today = workshop.in_force().calendar.day_of(workshop.now())
    with workshop.database.reading() as db:
        known = store.standing(db)
        people, machines = store.people(db), store.in_use(db)
    context: dict[str, Any] = {
        "coming": [one for one in known if one.last >= today],
        "past": [one for one in reversed(known) if one.last < today],
        "choices": [
            ("", "choose"),
            *((f"person:{row.id}", row.name) for row in people),
            *((f"machine:{row.id}", f"{row.name} (machine)") for row in machines),
        ],
        "today": today,
        "typed": typed,
        "errors": errors,
    }
    return render(request, "owner/absences.html", context, status)
