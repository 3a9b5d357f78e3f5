"""Releasing one picture to the customer's page, and taking it back."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect
from starlette.responses import Response

from app.flow import store as flow
from app.flow.steps import STEPS
from app.flow.store import Ref
from app.orders.order import store as order_store
from app.photos import store
from app.photos.intake.upload import receive_one
from app.photos.release import actions, approvals
from app.photos.release.actions import RELEASED
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.text import whole_number
from app.shared.web.forms import Filled
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, render, sent
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop
from app.tables import released_pictures

router = APIRouter()
MOST_SHOWN = 60
BODY_AT_MOST = 64 * 2**20


@router.get("/release/{of}/{id_:int}", name="release")
def release_page(request: Request, workshop: TheWorkshop, of: str, id_: RowId) -> Response:
    """The picture on the order's page, and the ways to put another one there."""
    return _page(request, workshop, Ref.read(f"{of}:{id_}"))


def _page(
    request: Request, workshop: Workshop, ref: Ref, error: str = "", status: int = 200
) -> Response:
    with workshop.database.reading() as db:
        piece = flow.load(db, ref)
        rows = order_store.rows_of(db, piece.order_id)
        live = actions.released(db, [piece.order_id]).get(piece.order_id)
        stored = store.of_model(db, piece.model_id)
        approval = approvals.open_of(db, ref, piece.order_id)
    animal = next((a for a in rows.animals if a["letter"] == piece.letter), None)
    context: dict[str, Any] = {
        "ref": ref,
        "piece": piece,
        "order": rows.order,
        "animal": animal,
        "live": live,
        "stored": stored[:MOST_SHOWN],
        "more": max(0, len(stored) - MOST_SHOWN),
        "approval": approval,
        "shows": STEPS[piece.state.step].shows,
        "may_show": actions.may_show(piece),
        "errors": {"file": error} if error else {},
    }
    return render(request, "photos/release/release.html", context, status)


@router.post("/release/{of}/{id_:int}", name="release_upload")
async def upload(request: Request, workshop: TheWorkshop, me: Me, of: str, id_: RowId) -> Response:
    """Take one file and release it."""
    ref = Ref.read(f"{of}:{id_}")
    try:
        await receive_one(
            request, workshop.folder.pictures, lambda file: actions.release(workshop, ref, file, me)
        )
    except ClientDisconnect:
        return Response(status_code=400)
    except NotFound:
        raise
    except Refused as why:
        return await run_in_threadpool(_page, request, workshop, ref, str(why), status_of(why))
    return go(request, f"/release/{of}/{id_}?done=released")


@router.post("/release/{of}/{id_:int}/stored", name="release_stored")
def stored(
    request: Request, workshop: TheWorkshop, me: Me, of: str, id_: RowId, form: Filled
) -> Response:
    """Release one of the pictures that are here."""
    ref = Ref.read(f"{of}:{id_}")
    chosen = whole_number(form.get("picture"))
    try:
        if chosen is None:
            raise BadFields({"file": "Choose a photo first."})
        with workshop.database.reading() as db:
            piece = flow.load(db, ref)
            own = {row["id"]: row for row in store.of_model(db, piece.model_id)}
        if chosen not in own:
            raise NotFound("That photo is not of this animal.")
        actions.release(workshop, ref, workshop.folder.pictures / own[chosen]["path"], me)
    except NotFound:
        raise
    except Refused as why:
        return _page(request, workshop, ref, str(why), status_of(why))
    return go(request, f"/release/{of}/{id_}?done=released")


@router.post("/release/{of}/{id_:int}/back", name="release_back")
def back(request: Request, workshop: TheWorkshop, of: str, id_: RowId) -> Response:
    """Take the picture off the order's page."""
    with workshop.database.reading() as db:
        piece = flow.load(db, Ref.read(f"{of}:{id_}"))
    actions.take_back(workshop, piece.order_id)
    return go(request, f"/release/{of}/{id_}?done=saved")


@router.get("/released/{id_:int}", name="released_picture")
def released_picture(workshop: TheWorkshop, id_: RowId) -> Response:
    """A released picture, as the customer's page shows it."""
    return sent(actions.jpeg_of(workshop, released_pictures.c.file, id_, RELEASED))
