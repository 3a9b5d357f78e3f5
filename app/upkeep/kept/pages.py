"""Everything about a person, erasing one, and how long a studio keeps what."""

from collections.abc import Iterator
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy import Connection
from starlette.responses import Response

from app.history.export_pages import zipped
from app.letters import lists, worker
from app.orders.lists import store as lists_store
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.studio import actions, as_form
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop
from app.upkeep import nightly
from app.upkeep.kept import ending, erasing, store
from app.upkeep.kept.rules import KeepFields

router = APIRouter()
_NOT_SURE = "Tick the box to say that you mean it."


@router.post("/customers/{customer:int}/data", name="customer_data")
def customer_data(workshop: TheWorkshop, customer: RowId) -> Response:
    """All that there is of one customer, photos and the texts of emails too. Raises NotFound."""
    with workshop.database.reading() as db:
        lists_store.one_customer(db, customer)
        emails = list(_emails(workshop, db, customer))
    return zipped(workshop, f"customer-{customer}.zip", customer=customer, emails=emails)


def _emails(workshop: Workshop, db: Connection, customer: int) -> Iterator[tuple[str, str]]:
    for letter_id in store.letters_of(db, customer):
        kept = lists.one(db, letter_id)
        said = worker.words_of_kept(workshop, db, kept)
        if said is not None:
            head = f"To: {kept.line.recipient}\nSubject: {said.subject}\n\n"
            yield f"{letter_id}-order-{kept.line.number}.txt", head + said.text


@router.get("/customers/{customer:int}/erase", name="erase")
def erase_page(request: Request, workshop: TheWorkshop, customer: RowId) -> Response:
    """What would go, and what stays, before anything does."""
    return _preview(request, workshop, customer, {})


@router.post("/customers/{customer:int}/erase", name="erase_do")
def erase(
    request: Request, workshop: TheWorkshop, me: Me, customer: RowId, form: Filled
) -> Response:
    """Erase them, for good."""
    if form.get("sure") != "1":
        return _preview(request, workshop, customer, {"sure": _NOT_SURE})
    try:
        erasing.erase(workshop, customer, me)
    except NotFound:
        raise
    except Refused as why:
        return _preview(request, workshop, customer, {"": str(why)})
    return go(request, f"/customers/{customer}?done=erased")


def _preview(
    request: Request, workshop: Workshop, customer: int, errors: dict[str, str]
) -> Response:
    with workshop.database.reading() as db:
        record = store.person(db, customer)
        if record is None:
            raise NotFound("There is no such customer.")
        context: dict[str, Any] = {
            "customer": record,
            "unsettled": store.unsettled(db, customer),
            "amounts": store.amounts(db, customer),
        }
    context |= {
        "errors": errors,
        "nights": nightly.Backups.read().backups_keep,
        "copies": store.copies_elsewhere(workshop.folder),
    }
    return render(request, "upkeep/erase.html", context, 422 if errors else 200)


# ---------------------------------------------------------------- how long


@router.get("/settings/keeping", name="keeping")
def keeping(request: Request, workshop: TheWorkshop) -> Response:
    """How long what is kept, what goes the coming night, and what has gone."""
    keeps = workshop.in_force().settings.keeps
    return _keeping(request, workshop, {name: str(many) for name, many in keeps.items()}, {})


@router.post("/settings/keeping", name="keeping_save")
def keeping_save(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Save how long; what that means is shown before a night has done it."""
    try:
        typed = {name: form.get(name) for name in KeepFields.model_fields}
        new = check(KeepFields, typed).model_dump(exclude_none=True)
        seen = form.get("seen")
        actions.save_elsewhere(workshop.database, "keeps", new, seen, me, workshop.now())
    except BadFields as why:
        return _keeping(request, workshop, form.plain(), why.fields)
    workshop.forget()
    return go(request, "/settings/keeping?done=saved")


def _keeping(
    request: Request, workshop: Workshop, typed: dict[str, str], errors: dict[str, str]
) -> Response:
    in_force = workshop.in_force()
    stale = actions.MEANWHILE in errors.values() or not errors
    with workshop.database.reading() as db:
        history = store.history(db)
    context = {
        "typed": typed,
        "errors": errors,
        "seen": as_form.digest(in_force.settings.keeps) if stale else typed.get("seen", ""),
        "due": ending.due_now(workshop),
        "history": history,
        "now": workshop.now(),
        "zone": in_force.settings.zone_info(),
    }
    return render(request, "upkeep/keeping.html", context, 422 if errors else 200)
