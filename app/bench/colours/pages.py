"""The colour book, and how one animal is painted."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect
from starlette.responses import Response

from app.bench.colours import actions, store
from app.bench.colours.actions import CHIPS
from app.photos.intake.upload import receive_one
from app.photos.release.actions import jpeg_of
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.text import whole_number
from app.shared.web.forms import Filled, check
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, render, sent
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop
from app.tables import colour_zones

router = APIRouter()
MOST_TYPED = 200


@router.get("/colours", name="colours")
def colours(request: Request, workshop: TheWorkshop) -> Response:
    """Every animal of which colours were written down, or those that fit some words (`q`)."""
    typed = request.query_params.get("q", "").strip()[:MOST_TYPED]
    with workshop.database.reading() as db:
        found, many = store.find(db, typed)
    context = {"found": found, "many": many, "typed": typed}
    return render(request, "bench/colours/book.html", context)


@router.get("/animals/{id_:int}/colours", name="animal_colours")
def animal_colours(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """How an animal is painted. `change` in the address opens one line in the form."""
    return _page(
        request, workshop, id_, change=whole_number(request.query_params.get("change", ""))
    )


@router.post("/animals/{id_:int}/colours", name="save_colours")
def save_colours(
    request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled
) -> Response:
    """Write down one zone."""
    typed = form.plain()
    try:
        actions.keep(workshop, id_, check(actions.ZoneFields, typed), me)
    except BadFields as why:
        return _page(request, workshop, id_, typed, why.fields, 422)
    except NotFound:
        raise
    except Refused as why:
        return _page(request, workshop, id_, typed, {"": str(why)}, 409)
    return go(request, f"/animals/{id_}/colours?done=saved")


@router.post("/colours/{id_:int}/out", name="colours_out")
def out(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """Take a zone out; it is kept among what was written before."""
    animal = actions.take_out(workshop, id_)
    return go(request, f"/animals/{animal}/colours?done=saved")


@router.post("/animals/{id_:int}/colours/{zone:int}/chip", name="colours_chip")
async def chip(request: Request, workshop: TheWorkshop, id_: RowId, zone: RowId) -> Response:
    """Take a photo of a test chip."""
    try:
        await receive_one(
            request, workshop.folder.pictures, lambda file: actions.put_chip(workshop, zone, file)
        )
    except ClientDisconnect:
        return Response(status_code=400)
    except NotFound:
        raise
    except Refused as why:
        errors = {"file": str(why)}
        return await run_in_threadpool(
            _page, request, workshop, id_, None, errors, status_of(why), zone
        )
    return go(request, f"/animals/{id_}/colours?done=saved")


@router.get("/chips/{id_:int}", name="colours_chip_photo")
def chip_photo(workshop: TheWorkshop, id_: RowId) -> Response:
    """The photo of a test chip."""
    return sent(jpeg_of(workshop, colour_zones.c.chip, id_, CHIPS))


def _page(
    request: Request,
    workshop: Workshop,
    id_: int,
    typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None,
    status: int = 200,
    change: int | None = None,
) -> Response:
    with workshop.database.reading() as db:
        animal = store.animal(db, id_)
        before = store.before(db, id_)
    if typed is None:
        typed = store.as_typed(animal.zones, change) if change is not None else {}
    written = {z.zone.casefold() for z in animal.zones}
    context: dict[str, Any] = {
        "animal": animal,
        "before": before,
        "zones": [zone for zone in store.ZONES if zone.casefold() not in written],
        "typed": typed,
        "changing": next((z for z in animal.zones if str(z.id) == typed.get("instead")), None),
        "errors": errors or {},
        "now": workshop.now(),
        "zone": workshop.in_force().settings.zone_info(),
    }
    return render(request, "bench/colours/animal.html", context, status)
