"""How it turned out: a page for the break room, and what is noted of an order."""

from collections.abc import Callable

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.orders.order import store as order_store
from app.parcels.said import turned_out
from app.parcels.said.turned_out import MAY_SHOW, PermissionFields, WordsFields
from app.shared.errors import BadFields
from app.shared.web.forms import Filled, Form, check
from app.shared.web.templating import go, new_once, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.get("/break-room", name="break_room")
def break_room(request: Request, workshop: TheWorkshop) -> Response:
    """What customers said, for everybody who made it."""
    with workshop.database.reading() as db:
        said = turned_out.said(db)
    now, zone = workshop.now(), workshop.in_force().settings.zone_info()
    context = {"said": said, "may_show": MAY_SHOW, "now": now, "zone": zone}
    return render(request, "parcels/break_room.html", context)


@router.get("/orders/{number:int}/turned-out", name="turned_out")
def of_order(request: Request, workshop: TheWorkshop, number: RowId) -> Response:
    """What the customer of an order said of it."""
    return _page(request, workshop, number)


def _page(
    request: Request, workshop: Workshop, number: int, typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None, form: str = "", status: int = 200,
) -> Response:  # fmt: skip
    with workshop.database.reading() as db:
        said = turned_out.said(db, order_store.by_number(db, number))
    in_force, now = workshop.in_force(), workshop.now()
    context = {
        "number": number,
        "said": said,
        "may_show": MAY_SHOW,
        "typed": typed or {},
        "errors": errors or {},
        "form": form,
        "now": now,
        "today": in_force.calendar.day_of(now),
        "zone": in_force.settings.zone_info(),
        "once": new_once(),
    }
    return render(request, "parcels/turned_out.html", context, status)


def _act(
    request: Request, workshop: Workshop, number: int, form: Form, name: str,
    act: Callable[[int], None],
) -> Response:  # fmt: skip
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
    try:
        act(order_id)
    except BadFields as why:
        return _page(request, workshop, number, form.plain(), why.fields, name, 422)
    return go(request, f"/orders/{number}/turned-out?done=noted")


@router.post("/orders/{number:int}/turned-out", name="keep_words")
def keep(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """Note what they said."""
    return _act(
        request, workshop, number, form, "new",
        lambda id_: turned_out.keep(
            workshop, id_, check(WordsFields, form.plain()), me, form.get("once")
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/turned-out/{said:int}", name="permit_words")
def permit(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, said: RowId, form: Filled
) -> Response:
    """Keep whether pictures may be shown, or strike out what was noted."""

    def act(id_: int) -> None:
        if form.get("act") == "strike":
            turned_out.strike(workshop, id_, said)
        else:
            fields = check(PermissionFields, form.plain())
            turned_out.permit(workshop, id_, said, fields, me)

    return _act(request, workshop, number, form, f"said{said}", act)
