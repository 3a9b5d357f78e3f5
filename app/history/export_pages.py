"""Everything handed out as a ZIP."""

import secrets
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from fastapi import APIRouter
from starlette.background import BackgroundTask
from starlette.responses import FileResponse, Response

from app.shared.web.forms import Filled
from app.studio.web import TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.post("/history/export", name="export_all")
def export_all(workshop: TheWorkshop, form: Filled) -> Response:
    """Everything, with the photos where that was ticked."""
    return zipped(workshop, "everything.zip", with_photos=form.get("with_photos") == "1")


def zipped(
    workshop: Workshop,
    name: str,
    *,
    customer: int | None = None,
    with_photos: bool = True,
    emails: Iterable[tuple[str, str]] = (),
) -> Response:
    """A ZIP of everything, or of one customer's, with `emails` by their names. It is made beside
    the data, where there is room for it, and gone once it was sent."""
    # It needs numpy, which a server that only waits has no need of.
    from app.history.export import IntoZip, hand_out

    workshop.folder.sheets.mkdir(mode=0o700, exist_ok=True)
    path = workshop.folder.sheets / f"{secrets.token_hex(12)}.zip"
    try:
        with closing(IntoZip(path)) as place:
            for _ in hand_out(workshop, place, customer=customer, with_photos=with_photos):
                pass
            for email, words in emails:
                place.write(f"emails/{email}", words)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    gone = BackgroundTask(Path.unlink, path, missing_ok=True)
    return FileResponse(path, media_type="application/zip", filename=name, background=gone)
