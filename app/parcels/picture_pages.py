"""Pictures of how a parcel was packed, from the tablet's camera."""

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect
from starlette.responses import Response

from app.parcels import pictures
from app.parcels.pages import whole
from app.photos.intake.upload import receive_one
from app.photos.release.actions import jpeg_of
from app.shared.errors import BadFields
from app.shared.web.templating import go, sent
from app.studio.web import Me, RowId, TheWorkshop
from app.tables import parcel_pictures

router = APIRouter()


@router.post("/parcel-pictures/{parcel:int}/{of}", name="parcel_photo")
async def photo(
    request: Request, workshop: TheWorkshop, me: Me, parcel: RowId, of: str
) -> Response:
    """Take a picture of how it is packed, from the tablet's camera."""
    try:
        keep = pictures.keeper(workshop, parcel, of, me)
        await receive_one(request, workshop.folder.pictures, keep)
    except ClientDisconnect:
        return Response(status_code=400)
    except BadFields as why:
        errors = {f"photo-{of}": " ".join(why.fields.values())}
        return await run_in_threadpool(whole, request, workshop, parcel, errors=errors, status=422)
    return go(request, f"/parcels/{parcel}?done=saved#pictures")


@router.get("/parcel-pictures/{id_:int}", name="parcel_picture")
def picture(workshop: TheWorkshop, id_: RowId) -> Response:
    """A picture of how a parcel was packed."""
    return sent(jpeg_of(workshop, parcel_pictures.c.file, id_, pictures.FOLDER))
