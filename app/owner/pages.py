"""The addresses of the owner's figures; lead_times.py and rework_page.py say what is on them."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from app.shared.web.as_csv import or_csv
from app.shared.web.templating import render
from app.studio.web import TheWorkshop

router = APIRouter()
Word = Annotated[str, Query(max_length=80)]


@router.get("/owner", name="house")
def house(request: Request, workshop: TheWorkshop, csv: Word = "", by: Word = "") -> Response:
    """The house today: what needs a look, how the work flows, is the house in order; and until when
    photos must pass for a day (`by`, ISO)."""
    from app.owner.today.page import page

    shown = render(request, "owner/today.html", page(workshop, request.app.state.house, by))
    return or_csv(shown, csv)


@router.get("/week", name="week")
def week(request: Request, workshop: TheWorkshop) -> Response:
    """The week ahead, on screen and on paper."""
    from app.owner.week.page import page

    return render(request, "owner/week.html", page(workshop))


@router.get("/lead-times", name="lead_times")
def lead_times(
    request: Request, workshop: TheWorkshop, months: Word = "", kind: Word = "",
    remembered: Word = "", rows: Word = "", csv: Word = "",
) -> Response:  # fmt: skip
    """The page. Its address says what is counted; nothing is kept of that."""
    # numpy is large, and a studio at work may run for days before its owner asks for figures.
    from app.owner.lead_times import page

    # A file holds every row that was counted, however many the page shows of them.
    whole = rows == "all" or bool(csv)
    context = page(request, workshop, months, kind, remembered, whole=whole)
    return or_csv(render(request, "owner/lead_times.html", context), csv)


@router.get("/lead-times/{month}", name="month")
def month(request: Request, workshop: TheWorkshop, month: str, csv: Word = "") -> Response:
    """One month (2026-10): what left, with its figures; two pages of A4, or a file."""
    from app.owner.month.page import page

    return or_csv(render(request, "owner/month.html", page(request, workshop, month)), csv)


@router.get("/rework", name="rework")
def rework(request: Request, workshop: TheWorkshop, months: Word = "", csv: Word = "") -> Response:
    """What did not come right the first time. Its address says what is counted."""
    from app.owner.rework_page import page

    return or_csv(render(request, "owner/rework.html", page(workshop, months)), csv)
