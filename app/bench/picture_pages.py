"""Pictures taken at the bench: of a finding, or of a piece as it is inspected."""

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect
from starlette.responses import Response

from app.bench import findings
from app.bench.pages import page_of
from app.flow.steps import Of
from app.flow.store import Ref
from app.photos.intake.upload import receive_one
from app.photos.release.actions import jpeg_of, take_off
from app.shared.errors import NotFound, Refused
from app.shared.people import Person
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, sent
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop
from app.tables import bench_pictures

router = APIRouter()


@router.post("/bench-pictures/of/{id_:int}", name="bench_picture_add")
async def add(request: Request, workshop: TheWorkshop, me: Me, id_: RowId) -> Response:
    """Take a photo of a piece."""
    return await _take(request, workshop, me, id_, None)


@router.post("/bench-pictures/of/{id_:int}/{finding:int}", name="finding_picture")
async def of_finding(
    request: Request, workshop: TheWorkshop, me: Me, id_: RowId, finding: RowId
) -> Response:
    """Take a photo of what was found."""
    return await _take(request, workshop, me, id_, finding)


async def _take(
    request: Request, workshop: Workshop, me: Person, copy_id: int, finding: int | None
) -> Response:
    try:
        await receive_one(
            request,
            workshop.folder.pictures,
            lambda file: findings.picture(workshop, copy_id, finding, file, me),
        )
    except ClientDisconnect:
        return Response(status_code=400)
    except NotFound:
        raise
    except Refused as why:
        errors = {f"file{finding or ''}": str(why)}
        ref = Ref(Of.COPY, copy_id)
        return await run_in_threadpool(
            page_of, request, workshop, ref, None, errors, (), status_of(why)
        )
    return go(request, f"/pieces/copy/{copy_id}?done=saved#found")


@router.post("/bench-pictures/{id_:int}/off", name="bench_picture_off")
def off(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """Remove a photo."""
    copy_id = take_off(workshop, bench_pictures.c.copy_id, id_)
    return go(request, f"/pieces/copy/{copy_id}?done=saved#found")


@router.get("/bench-pictures/{id_:int}", name="bench_picture")
def picture(workshop: TheWorkshop, id_: RowId) -> Response:
    """A photo taken at the bench."""
    return sent(jpeg_of(workshop, bench_pictures.c.file, id_, findings.FOLDER))
