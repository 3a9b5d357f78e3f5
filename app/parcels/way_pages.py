"""A parcel's number put right, or exchanged with that of another; and its papers, to print."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.parcels import numbers, pages, printing
from app.parcels.numbers import NumberFields, SwapFields
from app.shared.errors import BadFields
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.post("/parcels/{parcel:int}/number", name="parcel_number")
def number(
    request: Request, workshop: TheWorkshop, me: Me, parcel: RowId, form: Filled
) -> Response:
    """Put carrier and number right."""
    try:
        numbers.change(workshop, parcel, check(NumberFields, form.plain()), me)
    except BadFields as why:
        return pages.whole(request, workshop, parcel, form.plain(), why.fields, 422)
    return go(request, f"/parcels/{parcel}?done=saved")


@router.post("/parcels/{parcel:int}/swap", name="parcel_swap")
def swap(request: Request, workshop: TheWorkshop, me: Me, parcel: RowId, form: Filled) -> Response:
    """Exchange carrier and number with another parcel."""
    try:
        numbers.swap(workshop, parcel, check(SwapFields, form.plain()), me)
    except BadFields as why:
        return pages.whole(request, workshop, parcel, form.plain(), why.fields, 422)
    return go(request, f"/parcels/{parcel}?done=saved")


@router.get("/parcels/{parcel:int}/label", name="parcel_label")
def label(request: Request, workshop: TheWorkshop, parcel: RowId) -> Response:
    """The address label, A6."""
    return _paper(request, workshop, parcel, "parcels/label.html")


@router.get("/parcels/{parcel:int}/slip", name="parcel_slip")
def slip(request: Request, workshop: TheWorkshop, parcel: RowId) -> Response:
    """The packing slip, A5."""
    return _paper(request, workshop, parcel, "parcels/slip.html")


@router.get("/parcels/{parcel:int}/customs", name="parcel_customs")
def customs(request: Request, workshop: TheWorkshop, parcel: RowId) -> Response:
    """Notes for the customs form, A5: contents and what they are made of."""
    return _paper(request, workshop, parcel, "parcels/customs.html")


def _paper(request: Request, workshop: Workshop, parcel_id: int, template: str) -> Response:
    settings = workshop.in_force().settings
    with workshop.database.reading() as db:
        found = printing.papers(db, parcel_id, settings)
    return render(request, template, {"p": found, "parcel": found.parcel, "studio_": settings})
