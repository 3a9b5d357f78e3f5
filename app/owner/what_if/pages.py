"""The page of what would help."""

from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.flow.steps import STEPS
from app.owner.what_if import actions, store, words, worker
from app.owner.what_if.actions import PEOPLES, AskFields, MadeFields
from app.shared.errors import BadFields
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
HERE = "/what-would-help"


@router.get(HERE, name="what_would_help")
def what_would_help(request: Request, workshop: TheWorkshop) -> Response:
    """What each ready change would bring, what was asked besides, and the form to ask."""
    return _page(request, workshop, {}, {})


@router.post(HERE, name="what_if_ask")
def ask(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Ask what a change would bring."""
    try:
        actions.ask(workshop, check(AskFields, form.plain()), me)
    except BadFields as why:
        return _page(request, workshop, form.plain(), why.fields, 422)
    return go(request, f"{HERE}#own")


@router.post("/what-would-help/now", name="what_if_now")
def now(request: Request, workshop: TheWorkshop, me: Me) -> Response:
    """Have the ready changes worked out now rather than overnight."""
    actions.ask_ready(workshop, me)
    return go(request, HERE)


@router.post("/what-would-help/{id_:int}/made", name="what_if_made")
def made(request: Request, workshop: TheWorkshop, id_: RowId, form: Filled) -> Response:
    """Mark a change as made from a day on."""
    try:
        actions.mark_made(workshop, id_, check(MadeFields, form.plain()))
    except BadFields as why:
        return _page(request, workshop, {"id": str(id_), **form.plain()}, why.fields, 422)
    return go(request, f"{HERE}#own")


@router.post("/what-would-help/{id_:int}/drop", name="what_if_drop")
def drop(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """Put a question and its answer away."""
    actions.drop(workshop, id_)
    return go(request, f"{HERE}#own")


def _page(
    request: Request,
    workshop: Workshop,
    typed: Mapping[str, str],
    errors: Mapping[str, str],
    status: int = 200,
) -> Response:
    now, in_force = workshop.now(), workshop.in_force()
    with workshop.database.reading() as db:
        ready, own = store.of_tonight(db), store.own(db)
        waiting, asked = store.waiting(db)
    since: dict[int, str] = {}
    if any(one.made_on for one in own):
        # numpy is large: only a change that was made is compared with what happened since.
        from app.owner.what_if.since import since_made

        since = since_made(request, workshop, own)
    context: dict[str, Any] = {
        "ready": [one for one in ready if one.found],
        "failed": [one for one in ready if not one.found],
        "own": own,
        "since": since,
        "waiting": bool(waiting) or asked,
        "asked": asked,
        "far": worker.far(workshop),
        "said": words.said,
        "sooner": words.sooner,
        "weeks": words.weeks,
        "caveats": words.CAVEATS,
        "steps": [("", "choose"), *((str(step), STEPS[step].name) for step in PEOPLES)],
        "blank_on": in_force.settings.blank_on,
        "typed": typed,
        "errors": errors,
        "today": in_force.calendar.day_of(now),
        "now": now,
        "zone": in_force.settings.zone_info(),
    }
    return render(request, "owner/what_would_help.html", context, status)
