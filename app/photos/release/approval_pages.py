"""The page on which what the customer approves is put together and sent."""

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect
from starlette.responses import Response

from app.flow.store import Ref
from app.photos.intake.upload import receive
from app.photos.pictures.files import Incoming
from app.photos.release import approvals
from app.photos.release.actions import read_kept
from app.photos.release.approvals import ApprovalFields
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.text import whole_number
from app.shared.web.forms import Filled, check
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, new_once, render, sent
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.post("/release/{of}/{id_:int}/approval", name="approval_begin")
def begin(request: Request, workshop: TheWorkshop, me: Me, of: str, id_: RowId) -> Response:
    """Have what a piece shows approved."""
    return go(request, f"/approvals/{approvals.begin(workshop, Ref.read(f'{of}:{id_}'), me)}")


@router.get("/approvals/{id_:int}", name="approval")
def approval(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """The pictures that go with a question, and the question."""
    return _page(request, workshop, id_)


def _page(
    request: Request, workshop: Workshop, id_: int, typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None, status: int = 200,
) -> Response:  # fmt: skip
    with workshop.database.reading() as db:
        found = approvals.read(db, id_)
    context = {
        "a": found, "most": approvals.MOST, "typed": typed or {"asked": found.suggested},
        "errors": errors or {}, "once": new_once(),
    }  # fmt: skip
    return render(request, "photos/release/approval.html", context, status)


@router.post("/approvals/{id_:int}/pictures", name="approval_pictures")
async def add(request: Request, workshop: TheWorkshop, me: Me, id_: RowId) -> Response:
    """Take the files of a form."""
    taken: list[str] = []

    def finished(file: Incoming, name: str) -> None:
        if file.size:
            approvals.add(workshop, id_, file.path)
            taken.append(name)

    try:
        kind = request.headers.get("content-type", "")
        await receive(request.stream(), kind, workshop.folder.pictures, finished)
        if not taken:
            raise BadFields({"file": "Choose a picture first."})
    except ClientDisconnect:
        return Response(status_code=400)
    except NotFound:
        raise
    except Refused as why:
        said = why.fields if isinstance(why, BadFields) else {"": str(why)}
        return await run_in_threadpool(_page, request, workshop, id_, None, said, status_of(why))
    return go(request, f"/approvals/{id_}?done=saved")


@router.post("/approvals/{id_:int}/remove", name="approval_remove")
def remove(request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled) -> Response:
    """Take a picture away."""
    approvals.remove(workshop, id_, whole_number(form.get("picture")) or 0)
    return go(request, f"/approvals/{id_}?done=saved")


@router.post("/approvals/{id_:int}/send", name="approval_send")
def send(request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled) -> Response:
    """Ask the customer."""
    typed = form.plain()
    try:
        found = approvals.send(workshop, id_, check(ApprovalFields, typed), me)
    except BadFields as why:
        return _page(request, workshop, id_, typed, why.fields, 422)
    return go(request, f"/orders/{found.number}?done=asked#questions")


@router.get("/approvals/pictures/{id_:int}", name="approval_picture")
def picture(workshop: TheWorkshop, id_: RowId) -> Response:
    """A picture, as the customer gets it."""
    with workshop.database.reading() as db:
        path = approvals.file_of(db, id_)
    return sent(read_kept(workshop.folder.pictures, path))
