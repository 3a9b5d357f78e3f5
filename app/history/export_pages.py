"""Everything, or what there is of one customer, handed out as a ZIP."""

import secrets
from contextlib import closing
from pathlib import Path

from fastapi import APIRouter
from starlette.background import BackgroundTask
from starlette.responses import FileResponse, Response

from app.history import store
from app.shared.errors import NotFound
from app.shared.web.forms import Filled
from app.studio.web import RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.post("/history/export", name="export_all")
def export_all(workshop: TheWorkshop, form: Filled) -> Response:
    """Everything, with the photos where that was ticked."""
    return _zipped(workshop, "everything.zip", with_photos=form.get("with_photos") == "1")


@router.post("/customers/{customer:int}/data", name="customer_data")
def customer_data(workshop: TheWorkshop, customer: RowId) -> Response:
    """All that there is of one customer, photos too. Raises NotFound for a customer not here."""
    with workshop.database.reading() as db:
        if not store.is_customer(db, customer):
            raise NotFound("There is no such customer.")
    return _zipped(workshop, f"customer-{customer}.zip", customer=customer)


def _zipped(
    workshop: Workshop, name: str, *, customer: int | None = None, with_photos: bool = True
) -> Response:
    """Made beside the data, where there is room for it, and gone once it was sent."""
    # It needs numpy, which a server that only waits has no need of.
    from app.history.export import IntoZip, hand_out

    workshop.folder.sheets.mkdir(mode=0o700, exist_ok=True)
    path = workshop.folder.sheets / f"{secrets.token_hex(12)}.zip"
    try:
        with closing(IntoZip(path)) as place:
            for _ in hand_out(workshop, place, customer=customer, with_photos=with_photos):
                pass
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    gone = BackgroundTask(Path.unlink, path, missing_ok=True)
    return FileResponse(path, media_type="application/zip", filename=name, background=gone)
