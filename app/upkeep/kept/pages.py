"""Everything about a person, and erasing one."""

from collections.abc import Iterator
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy import Connection
from starlette.responses import Response

from app.history.export_pages import zipped
from app.letters import lists, worker
from app.orders.lists import store as lists_store
from app.shared.errors import NotFound, Refused
from app.shared.web.forms import Filled
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop
from app.upkeep import nightly
from app.upkeep.kept import erasing, store

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
