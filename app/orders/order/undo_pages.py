"""Taking back the last act, from whichever page it was done on."""

from urllib.parse import urlsplit

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from app.flow import amendments
from app.shared.errors import NotFound
from app.shared.text import whole_number
from app.shared.web.forms import Filled
from app.shared.web.templating import go, is_partial
from app.staff.rules import same_site
from app.studio.web import Me, TheWorkshop

router = APIRouter()


@router.post("/undo", name="undo")
def undo(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Undo the act of an entry, then back to the page that asked.

    Raises Refused, AlreadyMoved or NotFound where it cannot be undone.
    """
    entry = whole_number(form.get("entry"))
    if entry is None:
        raise NotFound("There is no such entry.")
    amendments.undo(workshop.database, entry, me, workshop.now(), form.get("once") or None)
    workshop.changed.set()
    back = same_site(form.get("back", "/"))
    address = f"{back}{'&' if '?' in back else '?'}done=undone"
    # The benches give htmx their lists when they are asked for by it; other pages come whole.
    if is_partial(request) and urlsplit(back).path in ("/", "/my-bench"):
        return RedirectResponse(address, 303)
    return go(request, address)
