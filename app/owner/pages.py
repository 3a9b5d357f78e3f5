"""The lead-time page's address. What the page says is in lead_times.py."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from app.shared.web.templating import render
from app.studio.web import TheWorkshop

router = APIRouter()
Word = Annotated[str, Query(max_length=80)]


@router.get("/lead-times", name="lead_times")
def lead_times(
    request: Request, workshop: TheWorkshop, months: Word = "", kind: Word = "",
    remembered: Word = "", rows: Word = "",
) -> Response:  # fmt: skip
    """The page. Its address says what is counted; nothing is kept of that."""
    # numpy is large, and a studio at work may run for days before its owner asks for figures.
    from app.owner.lead_times import page

    context = page(request, workshop, months, kind, remembered, whole=rows == "all")
    return render(request, "owner/lead_times.html", context)
