"""The studio's list of carriers: who carries parcels, how long it takes, where to follow them."""

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from app.shared.carriers import NUMBER_FORMS, said_days
from app.shared.countries import COUNTRIES
from app.shared.errors import BadFields
from app.shared.web.forms import Filled, check
from app.shared.web.templating import render
from app.studio import as_form, carrier_list
from app.studio.actions import MEANWHILE
from app.studio.carrier_list import CarrierFields
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
_EMPTY = {"days_are": "working", "number_form": "none"}


@router.get("/settings/carriers", name="carriers")
def carriers(request: Request, workshop: TheWorkshop) -> Response:
    """The list, and the form for one more."""
    return _list(request, workshop, {}, {})


@router.post("/settings/carriers", name="carrier_add")
def add(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Put a carrier on the list."""
    typed = form.plain()
    try:
        carrier_list.save(workshop.database, None, check(CarrierFields, typed), me, workshop.now())
    except BadFields as why:
        return _list(request, workshop, typed, why.fields, 422)
    return _saved(workshop)


@router.get("/settings/carriers/{carrier:int}", name="carrier")
def carrier(request: Request, workshop: TheWorkshop, carrier: RowId) -> Response:
    """One carrier."""
    return _one(request, workshop, carrier, None, {})


@router.post("/settings/carriers/{carrier:int}", name="carrier_change")
def change(
    request: Request, workshop: TheWorkshop, me: Me, carrier: RowId, form: Filled
) -> Response:
    """Change a carrier; days on customers' pages follow."""
    typed = form.plain()
    try:
        carrier_list.save(
            workshop.database, carrier, check(CarrierFields, typed), me, workshop.now()
        )
    except BadFields as why:
        return _one(request, workshop, carrier, typed, why.fields, 422)
    return _saved(workshop)


@router.post("/settings/carriers/{carrier:int}/off", name="carrier_off")
def off(workshop: TheWorkshop, me: Me, carrier: RowId) -> Response:
    """Take a carrier off the list."""
    carrier_list.take_off(workshop.database, carrier, me, workshop.now())
    return _saved(workshop)


def _saved(workshop: Workshop) -> Response:
    workshop.forget()
    workshop.changed.set()
    return RedirectResponse("/settings/carriers?done=saved", 303)


def _list(
    request: Request, workshop: Workshop, typed: dict[str, str], errors: dict[str, str],
    status: int = 200,
) -> Response:  # fmt: skip
    with workshop.database.reading() as db:
        standing = carrier_list.load(db)
    context = {
        "standing": standing,
        "said_days": said_days,
        "countries": COUNTRIES,
        "forms": list(NUMBER_FORMS.items()),
        "typed": typed or {**_EMPTY, "place": str(len(standing) + 1)},
        "errors": errors,
    }
    return render(request, "studio/carriers.html", context, status)


def _one(
    request: Request, workshop: Workshop, carrier_id: int, typed: dict[str, str] | None,
    errors: dict[str, str], status: int = 200,
) -> Response:  # fmt: skip
    with workshop.database.reading() as db:
        stands = carrier_list.typed_of(db, carrier_id)
    fresh = typed is None or MEANWHILE in errors.values()
    context = {
        "id": carrier_id,
        "name": stands["name"],
        "forms": list(NUMBER_FORMS.items()),
        "typed": typed or stands,
        "errors": errors,
        "seen": as_form.digest(stands) if fresh or typed is None else typed.get("seen", ""),
    }
    return render(request, "studio/carrier.html", context, status)
