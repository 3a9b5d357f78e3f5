"""The settings: the studio and its ways of working, its words for the steps, its closures.

Which steps there are is told by main (`app.state.steps`, key to name): this room lies below the
flow.
"""

import json
from collections.abc import Mapping
from datetime import date
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from app.shared.errors import BadFields
from app.shared.text import problem, tidy
from app.shared.web.forms import Filled, Form
from app.shared.web.templating import render
from app.studio import actions, as_form, places, store
from app.studio.rules import WEEKDAYS
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()

_SHOWN_CHANGES = 30
_LISTED = ("settings", "closures", "step_texts", "carriers")
LABELS = {
    "name": "Name of the workshop",
    "contact_mail": "Email",
    "contact_phone": "Phone",
    "contact_hours": "When somebody answers",
    "how_to_send_photos": "How customers send photos",
    "own_photos": "Their photos beside a request",
    "zone": "Time zone",
    "country": "Country",
    "region": "Region",
    "hours": "Working hours",
    "starts_when": "Work starts when",
    "first_number": "First order number",
    "intake_limit": "Copies taken on in a week",
    "blank_on": "Blank step",
    "approves": "Customer approves",
    "capacity": "Pieces at once",
    "copy_deadline_working_days": "Copy deadline",
    "assumed_received_days": "Assumed received",
    "link_lapses_days": "Status link expires",
    "ask_in_parts_days": "Ask whether to send in parts",
    "carriers": "Carriers",
    "boxes": "Boxes",
    "return_address": "Return address",
    "customs_words": "What the pieces are, for customs",
    "bases": "Bases",
    "cures": "Curing",
    "poses": "Poses",
    "sizes": "Sizes",
    "posting_from": "Emails go out from",
    "posting_until": "Emails go out until",
    "inspection_list": "Ticked at inspection",
    "finding_kinds": "Findings",
    "keeps": "How long we keep",
    "photos_at_pass": "Two photos at Pass",
    "hour_rate": "An hour costs",
    "piece_rate": "A piece made again costs",
    "sending_rate": "Sending again costs",
    "usual_weeks_from": "Our usual weeks, from",
    "usual_weeks_to": "Our usual weeks, to",
    "public_address": "Address of customers’ pages",
    "mail_host": "Mail server",
    "mail_port": "Mail server’s port",
    "mail_security": "Mail server’s encryption",
    "mail_user": "Mail server’s user name",
    "mail_tagged": "Sender with a tag",
    "mail_password": "Mail server’s password",
    "backups_folder": "Backups go to",
    "set_up_fine": "Set up: left as it is",
    "set_up_over": "Set up: no more reminders",
    "closed": "Closed",
    "open_again": "Closure deleted",
}


def _steps(request: Request) -> Mapping[str, str]:
    steps: Mapping[str, str] = request.app.state.steps
    return steps


def _saved(workshop: Workshop, address: str) -> Response:
    """The workers and the next request work with what was just set."""
    workshop.forget()
    workshop.changed.set()
    return RedirectResponse(f"{address}?done=saved", 303)


def _today(workshop: Workshop) -> date:
    return workshop.in_force().calendar.day_of(workshop.now())


# The studio and its ways of working


@router.get("/settings", name="settings")
def settings(request: Request, workshop: TheWorkshop) -> Response:
    """Everything that a studio sets once and seldom changes."""
    return _settings(request, workshop, None, {})


@router.post("/settings", name="settings_save")
def settings_save(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Save all of it, or none and say where."""
    steps = _steps(request)
    year = _today(workshop).year

    def holidays(country: str, region: str) -> object:
        return store.public_holidays(country, region, range(year, year + 1))

    try:
        new = as_form.read(form, steps, holidays)
        actions.save_settings(workshop.database, new, steps, form["seen"], me, workshop.now())
    except BadFields as why:
        return _settings(request, workshop, form, why.fields, 422)
    return _saved(workshop, "/settings")


def _settings(
    request: Request,
    workshop: Workshop,
    form: Form | None,
    errors: dict[str, str],
    status: int = 200,
) -> Response:
    steps = _steps(request)
    with workshop.database.reading() as db:
        stands = as_form.flat(store.load(db), steps)
        history = _history(db, workshop, steps)
    today = _today(workshop)
    coming = sorted(day for day in workshop.in_force().calendar.closed if day >= today)[:4]
    # After an error about a change meanwhile the form carries the mark of what stands now.
    fresh = form is None or actions.MEANWHILE in errors.values()
    context = {
        "typed": stands if form is None else form.plain(),
        "errors": errors,
        "seen": as_form.digest(stands) if fresh or form is None else form.plain().get("seen", ""),
        "weekdays": list(enumerate(WEEKDAYS)),
        "zones": places.zones(),
        "countries": places.countries(),
        "regions": places.regions(stands["country"]),
        "with_own": places.with_own,
        "steps": steps,
        "coming": coming,
        "today": today,
        "history": history,
    }
    return render(request, "studio/settings.html", context, status)


def _history(db: Any, workshop: Workshop, steps: Mapping[str, str]) -> list[dict[str, Any]]:
    zone, now = workshop.in_force().settings.zone_info(), workshop.now()
    rows = store.latest_changes(db, _LISTED, _SHOWN_CHANGES)
    return [
        {
            "at": row.at,
            "now": now,
            "zone": zone,
            "who": row.name or "Likewright",
            "what": _label(row.field, steps),
            "before": _value(row.before),
            "after": _value(row.after),
        }
        for row in rows
    ]


def _label(field: str, steps: Mapping[str, str]) -> str:
    for start, words in (("done_when_", "done when"), ("watch_out_", "watch out")):
        step = field.removeprefix(start)
        if step != field:
            return f"{steps.get(step, step)}, {words}"
    if field.startswith("keeps_"):
        return f"How long we keep {field.removeprefix('keeps_')}"
    if field.startswith("own_words_"):
        return f"Words in emails, {field.removeprefix('own_words_').replace('_', ' ')}"
    return LABELS.get(field, field)


def _value(kept: str | None) -> str:
    """A kept value as a reader would write it."""
    value = json.loads(kept) if kept else None
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, dict):
        named = {WEEKDAYS[int(k)][:3] if k.isdigit() else k: v for k, v in value.items()}
        return "; ".join(f"{key} {said}" for key, said in named.items())
    return "" if value is None else str(value)


# The studio's words for its steps


@router.get("/settings/steps", name="step_texts")
def step_texts(request: Request, workshop: TheWorkshop) -> Response:
    """When a step is done and what to watch out for."""
    return _step_texts(request, workshop, None, {})


@router.post("/settings/steps", name="step_texts_save")
def step_texts_save(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Save the words for every step."""
    try:
        new = _read_texts(form, _steps(request))
        actions.save_step_texts(workshop.database, new, form["seen"], me, workshop.now())
    except BadFields as why:
        return _step_texts(request, workshop, form, why.fields, 422)
    return _saved(workshop, "/settings/steps")


def _read_texts(form: Form, steps: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    wrong: dict[str, str] = {}

    def one(name: str) -> str:
        try:
            text = tidy(form[name], lines=True)
        except BadFields as why:
            wrong.update(why.fields)
            return ""
        if (trouble := problem(text, as_form.LONGEST_TEXT, lines=True)) is not None:
            wrong[name] = trouble
        return text

    texts = {step: (one(f"done_when_{step}"), one(f"watch_out_{step}")) for step in steps}
    if wrong:
        raise BadFields(wrong)
    return texts


def _step_texts(
    request: Request,
    workshop: Workshop,
    form: Form | None,
    errors: dict[str, str],
    status: int = 200,
) -> Response:
    steps = _steps(request)
    with workshop.database.reading() as db:
        kept = store.texts_of_steps(db)
    stands = {f"done_when_{step}": kept.get(step, ("", ""))[0] for step in steps}
    stands |= {f"watch_out_{step}": kept.get(step, ("", ""))[1] for step in steps}
    fresh = form is None or actions.MEANWHILE in errors.values()
    context = {
        "typed": stands if form is None else form.plain(),
        "errors": errors,
        "seen": as_form.digest(kept) if fresh or form is None else form.plain().get("seen", ""),
        "steps": steps,
    }
    return render(request, "studio/steps.html", context, status)


# Closures


@router.get("/settings/closures", name="closures")
def closures(request: Request, workshop: TheWorkshop) -> Response:
    """The days on which the whole house is shut."""
    return _closures(request, workshop, {}, {})


@router.post("/settings/closures", name="closure_add")
def closure_add(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Shut the house for some days."""
    try:
        closure = as_form.read_closure(form, _today(workshop))
        actions.add_closure(workshop.database, closure, me, workshop.now())
    except BadFields as why:
        return _closures(request, workshop, form.plain(), why.fields, 422)
    return _saved(workshop, "/settings/closures")


@router.post("/settings/closures/{closure_id}/take-back", name="closure_take_back")
def closure_take_back(workshop: TheWorkshop, me: Me, closure_id: RowId) -> Response:
    """Open it again on those days."""
    actions.take_back_closure(workshop.database, closure_id, me, workshop.now())
    return _saved(workshop, "/settings/closures")


def _closures(
    request: Request,
    workshop: Workshop,
    filled: dict[str, str],
    errors: dict[str, str],
    status: int = 200,
) -> Response:
    with workshop.database.reading() as db:
        rows = store.standing_closures(db)
    standing = [
        (row.id, date.fromisoformat(row.first_day), date.fromisoformat(row.last_day), row.reason)
        for row in rows
    ]
    today = _today(workshop)
    context = {
        "coming": [row for row in reversed(standing) if row[2] >= today],
        "past": [row for row in standing if row[2] < today],
        "today": today,
        "typed": filled,
        "errors": errors,
    }
    return render(request, "studio/closures.html", context, status)
