"""Job tickets to print: of one piece, of an order, or of what came to a step today."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from app.bench import tickets
from app.flow.steps import BENCHES, STEPS, Step
from app.flow.store import Ref
from app.shared.errors import NotFound
from app.shared.web.templating import render
from app.studio.web import TheWorkshop

router = APIRouter()


@router.get("/tickets", name="tickets")
def tickets_page(
    request: Request,
    workshop: TheWorkshop,
    piece: Annotated[tuple[str, ...], Query()] = (),
    order: Annotated[int | None, Query(ge=0, le=2**53)] = None,
    step: str = "",
    paper: Literal["A6", "A5"] = "A6",
) -> Response:
    """Tickets, four of A6 or two of A5 on a sheet of A4; without a choice, the form to choose."""
    now, calendar = workshop.now(), workshop.in_force().calendar
    if step and step not in BENCHES:
        raise NotFound("There is no such bench.")
    today = calendar.day_of(now)
    with workshop.database.reading() as db:
        refs = [Ref.read(one) for one in piece]
        if order is not None:
            refs += tickets.of_order(db, order)
        if step:
            refs += tickets.came_to(db, Step(step), calendar.start_of(today))
        found = tickets.tickets_of(workshop, db, refs, str(request.base_url))
    context = {
        "tickets": found,
        "left": max(0, len(refs) - len(found)),
        "asked": bool(piece or order is not None or step),
        "paper": paper,
        "piece": piece,
        "order": order,
        "step": step,
        "steps": [(str(one), STEPS[one].name) for one in BENCHES],
        "today": today,
        "qr": tickets.qr,
    }
    return render(request, "bench/tickets.html", context)
