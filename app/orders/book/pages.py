"""The waiting list, and what is done to an order on it."""

import statistics
from datetime import date
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.orders.book import actions, store
from app.orders.book.actions import OffFields, WeekFields
from app.orders.book.drafts import animals_of
from app.orders.book.rules import told_is_over
from app.shared.calendar import DAY
from app.shared.errors import BadFields
from app.shared.web import words
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
# So far back it is said what was struck off, and how long the wait was.
DAYS_BACK = 90


@router.get("/book", name="waiting_list")
def waiting_list(request: Request, workshop: TheWorkshop) -> Response:
    """Who waits to be taken on, in their order, and when each can begin."""
    return _page(request, workshop)


@router.post("/book/{number:int}/week", name="waiting_list_week")
def week(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """Tell a customer another week."""
    try:
        actions.tell_week(workshop, number, check(WeekFields, form.plain()), me)
    except BadFields as why:
        return _page(request, workshop, number, form.plain(), why.fields, 422)
    return go(request, f"/book?done=told#order-{number}")


@router.post("/book/{number:int}/off", name="waiting_list_off")
def off(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """Strike an order off the list."""
    try:
        actions.strike_off(workshop, number, check(OffFields, form.plain()), me)
    except BadFields as why:
        return _page(request, workshop, number, form.plain(), why.fields, 422)
    return go(request, "/book?done=struck")


def _page(
    request: Request, workshop: Workshop, number: int = 0, typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None, status: int = 200,
) -> Response:  # fmt: skip
    """The list; after a form that was refused, with what was typed at its order (`number`)."""
    in_force, now = workshop.in_force(), workshop.now()
    today = in_force.calendar.day_of(now)
    with workshop.database.reading() as db:
        book = store.book(db, in_force, now)
        struck = store.struck_off(db, now - DAYS_BACK * DAY)
        waited = store.waited(db, now - DAYS_BACK * DAY)
    context: dict[str, Any] = {
        "book": book,
        "rows": [
            _row(row, begins, today)
            for row, begins in zip(book.listed, book.begins, strict=True)
        ],
        "struck": [_row(row, None, today) for row in struck],
        "waited": len(waited),
        "median": round(statistics.median(waited) / DAY) if waited else 0,
        "days_back": DAYS_BACK,
        "number": number,
        "typed": typed or {},
        "errors": errors or {},
        "today": today,
        "now": now,
        "zone": in_force.settings.zone_info(),
    }  # fmt: skip
    return render(request, "orders/lists/waiting_list.html", context, status)


def _row(row: store.Row, begins: date | None, today: date) -> dict[str, Any]:
    """A row of the list: whose animals, the week that was told, and whether that is over."""
    animals = animals_of(row["typed"], date.fromisoformat(row["typed_on"]), row["number"], 0)
    told = date.fromisoformat(row["begins_on"])
    return {
        "row": row,
        "animals": words.listed([animal.name for animal in animals]),
        "told": told,
        "over": told_is_over(row["begins_on"], today),
        "begins": begins,
    }
