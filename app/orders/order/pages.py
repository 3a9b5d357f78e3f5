"""The order page: everything about one order, and what the desk does to it."""

from collections.abc import Callable
from datetime import date
from typing import Any, Literal

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.flow.after.belongings import ASHES_BY_POST, KINDS
from app.flow.approvals.rules import SAID
from app.flow.money import Paid
from app.flow.parts import NEEDED_AT
from app.flow.steps import Step
from app.orders.entry.form import AddedCopy, ChangeAsked
from app.orders.entry.joining import add_copy
from app.orders.facts import sizes
from app.orders.facts.to_tell import to_tell
from app.orders.forecast.chances import how_likely
from app.orders.order import actions as order_actions
from app.orders.order import asking, belongings, links, parts, store
from app.orders.order.actions import CancelFields, ContactFields, StopFields
from app.orders.order.asking import WAITS, AnswerFields, OverrideFields, QuestionFields
from app.orders.order.belongings import SENT, WAYS, BelongingFields, PlaceFields, ReturnFields
from app.orders.order.edit_actions import ScaleFields, set_scale
from app.orders.order.parts import BEFORE, DueFields, PartFields, WithoutFields
from app.orders.order.photos_told import ToldFields, photos_told, to_fetch
from app.orders.order.view import view
from app.shared.errors import BadFields
from app.shared.web.fields import Day, Fields
from app.shared.web.forms import Filled, Form, check
from app.shared.web.templating import go, new_once, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


# What is known where a customer says to a later date that they cancel.
_THEY_CANCEL = {"whose": "customer", "reason": "Told that it takes longer, the customer cancels."}


class DeadlineFields(Fields):
    """The last day for more copies."""

    copy_deadline: Day


@router.get("/orders/{number:int}", name="order")
def order(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Literal["", "cancel"] = ""
) -> Response:
    """The order page; from a customer who cancels with that form open, to be read and sent."""
    return _page(request, workshop, number, _THEY_CANCEL if form else None, form=form)


def _page(
    request: Request,
    workshop: Workshop,
    number: int,
    typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None,
    form: str = "",
    status: int = 200,
) -> Response:
    """The page as it stands; after a form that was refused, with that form open and as typed."""
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        rows = store.rows_of(db, store.by_number(db, number))
        token = links.current(db, workshop.folder.key, rows.order["id"])
        written = request.app.state.letters_of(db, rows.order["id"])
        write = (
            list(request.app.state.to_write(db, rows.order["id"], now)) if _stopped(rows) else []
        )
        told = to_fetch(db, rows.order["id"])
        late = to_tell(db, in_force, now, rows.order["id"])
    if not rows.models and not rows.copies:
        # Nothing of it has begun: it stands on the waiting list, or was struck off it.
        return go(request, f"/book#order-{number}")
    today = in_force.calendar.day_of(now)
    needed, chance = rows.order["needed_by"], workshop.chances().get(rows.order["id"])
    context: dict[str, Any] = {
        "v": view(rows, in_force.settings, request.state.person, now, today, workshop.pace()),
        "number": number,
        "written": written,
        "to_write": write,
        "told": told,
        "late": late[0] if late else None,
        "link": f"{workshop.status_url}/{token}/" if token else "",
        "now": now,
        "today": today,
        "zone": in_force.settings.zone_info(),
        "typed": typed or {},
        "errors": errors or {},
        "form": form,
        "once": new_once(),
        "settings": in_force.settings,
        "approved": SAID,
        "day": date.fromisoformat,
        "waits": list(WAITS.items()),
        "measured": list(sizes.CHOICES),
        "paid": Paid,
        "kinds": [(kind, kind) for kind in NEEDED_AT],
        "before": list(BEFORE.items()),
        "ashes_by_post": ASHES_BY_POST,
        "belonging_kinds": KINDS,
        "belonging_ways": WAYS,
        "belonging_sent": SENT,
        "chance": how_likely(needed, chance, today) if _making(rows) else "",
    }
    return render(request, "orders/order/order.html", context, status)


def _making(rows: store.OrderRows) -> bool:
    """Whether anything of it is still in the house, or to be made."""
    return any(row["open"] and row["step"] != Step.HANDED_OVER for row in rows.copies)


def _stopped(rows: store.OrderRows) -> bool:
    """Whether anything was cancelled, held or made again, or a parcel's number put right: of few
    orders, and only they are asked what their customers have not been told."""
    pieces = [*rows.models, *rows.copies]
    again = any(copy["making"] > 1 for copy in rows.copies)
    corrected = any(parcel["corrected_at"] for parcel in rows.parcels)
    stopped = any(p["hold_whose"] or p["step"] == Step.CANCELLED for p in pieces)
    return again or corrected or stopped


def _act(
    request: Request, workshop: Workshop, number: int, form: Form, name: str, done: str,
    act: Callable[[int], None],
) -> Response:  # fmt: skip
    """Do something to an order; a form with something wrong in it comes back as typed."""
    with workshop.database.reading() as db:
        order_id = store.by_number(db, number)
    try:
        act(order_id)
    except BadFields as why:
        return _page(request, workshop, number, form.plain(), why.fields, name, 422)
    back = "/waiting" if form.get("back") == "/waiting" else f"/orders/{number}"
    return go(request, f"{back}?done={done}")


@router.post("/orders/{number:int}/ask", name="ask")
def ask(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """Note a question to the customer."""
    return _act(
        request, workshop, number, form, "ask", "asked",
        lambda id_: asking.ask(
            workshop, id_, check(QuestionFields, form.plain()), me, form.get("once")
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/answer/{question:int}", name="answer")
def answer(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, question: RowId, form: Filled
) -> Response:
    """Note an answer."""
    return _act(
        request, workshop, number, form, f"answer{question}", "answered",
        lambda id_: asking.answer(
            workshop, id_, question, check(AnswerFields, form.plain()), me
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/override/{question:int}", name="override_question")
def override(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, question: RowId, form: Filled
) -> Response:
    """Go on without an answer."""
    return _act(
        request, workshop, number, form, f"override{question}", "noted",
        lambda id_: asking.override(
            workshop, id_, question, check(OverrideFields, form.plain()), me
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/parts", name="add_part")
def part(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """Note a part that was ordered."""
    return _act(
        request, workshop, number, form, "part", "noted",
        lambda id_: parts.add(
            workshop, id_, check(PartFields, form.plain()), me, form.get("once")
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/parts/{part_id:int}", name="part")
def part_here(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, part_id: RowId, form: Filled
) -> Response:
    """A part is here."""
    return _act(
        request, workshop, number, form, "", "noted",
        lambda id_: parts.here(workshop, id_, part_id, me),
    )  # fmt: skip


@router.post("/orders/{number:int}/parts/{part_id:int}/due", name="part_due")
def part_due(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, part_id: RowId, form: Filled
) -> Response:
    """A part comes on another day, or is struck out."""

    def act(id_: int) -> None:
        if form.get("act") == "strike":
            parts.strike(workshop, id_, part_id, me)
        else:
            parts.change_due(workshop, id_, part_id, check(DueFields, form.plain()), me)

    return _act(request, workshop, number, form, f"due{part_id}", "saved", act)


@router.post("/orders/{number:int}/parts/{part_id:int}/without", name="part_without")
def part_without(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, part_id: RowId, form: Filled
) -> Response:
    """Go on without a part."""
    return _act(
        request, workshop, number, form, f"without{part_id}", "noted",
        lambda id_: parts.without(
            workshop, id_, part_id, check(WithoutFields, form.plain()), me
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/belongings", name="add_belonging")
def lent(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """Note something that the customer lent."""
    return _act(
        request, workshop, number, form, "lent", "noted",
        lambda id_: belongings.receive(
            workshop, id_, check(BelongingFields, form.plain()), me, form.get("once")
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/belongings/{belonging:int}", name="belonging")
def belonging_kept(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, belonging: RowId, form: Filled
) -> Response:
    """It lies elsewhere, is here after all, or was never here."""

    def act(id_: int) -> None:
        match form.get("act"):
            case "strike":
                belongings.strike(workshop, id_, belonging, me)
            case "back":
                belongings.back_here(workshop, id_, belonging, me)
            case _:
                fields = check(PlaceFields, form.plain())
                belongings.keep(workshop, id_, belonging, fields, me)

    return _act(request, workshop, number, form, f"belonging{belonging}", "saved", act)


@router.post("/orders/{number:int}/belongings/{belonging:int}/returned", name="belonging_returned")
def given_back(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, belonging: RowId, form: Filled
) -> Response:
    """It was given back without a parcel of pieces."""
    return _act(
        request, workshop, number, form, f"returned{belonging}", "noted",
        lambda id_: belongings.returned(
            workshop, id_, belonging, check(ReturnFields, form.plain()), me
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/contact", name="contact")
def contact(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled
) -> Response:
    """Note a word with the customer."""

    def act(id_: int) -> None:
        order_actions.note_contact(workshop, id_, check(ContactFields, form.plain()), me)

    return _act(request, workshop, number, form, "contact", "noted", act)


@router.post("/orders/{number:int}/hold", name="hold_order")
def hold(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """Put the order, an animal or a piece on hold."""
    return _act(
        request, workshop, number, form, "hold", "held",
        lambda id_: order_actions.hold(
            workshop, id_, check(StopFields, form.plain()), me, form.get("once")
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/lift", name="lift_order")
def lift(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """Lift the holds."""
    return _act(
        request, workshop, number, form, "", "lifted",
        lambda id_: order_actions.lift(workshop, id_, form.get("about"), me, form.get("once")),
    )  # fmt: skip


@router.post("/orders/{number:int}/cancel", name="cancel_order")
def cancel(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled
) -> Response:
    """Cancel the order, an animal or a piece."""
    return _act(
        request, workshop, number, form, "cancel", "cancelled",
        lambda id_: order_actions.cancel(
            workshop, id_, check(CancelFields, form.plain()), me, form.get("once")
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/ship-part", name="ship_part")
def ship_part(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled
) -> Response:
    """Let what is ready leave now, or wait for the rest again."""
    return _act(
        request, workshop, number, form, "", "saved",
        lambda id_: order_actions.set_ship_part(workshop, id_, form.get("on") == "1", me),
    )  # fmt: skip


@router.post("/orders/{number:int}/deadline", name="copy_deadline")
def deadline(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled
) -> Response:
    """Move the day until which copies may join."""

    def act(id_: int) -> None:
        day = check(DeadlineFields, form.plain()).copy_deadline
        if day is None:
            raise BadFields({"copy_deadline": "A day like 2026-11-25, please."})
        order_actions.set_deadline(workshop, id_, day, me)

    return _act(request, workshop, number, form, "deadline", "saved", act)


@router.post("/orders/{number:int}/link", name="status_link")
def link(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """Replace or revoke the status link."""
    if form.get("act") == "revoke":
        return _act(
            request, workshop, number, form, "", "revoked",
            lambda id_: order_actions.revoke_link(workshop, id_, me),
        )  # fmt: skip
    if form.get("act") != "replace":
        raise BadFields({"": "Replace the link or revoke it? Load the page again."})
    return _act(
        request, workshop, number, form, "", "link",
        lambda id_: order_actions.replace_link(workshop, id_, me),
    )  # fmt: skip


@router.post("/orders/{number:int}/photos", name="photos_told")
def told(request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled) -> Response:
    """The customer says that photos are sent."""
    return _act(
        request, workshop, number, form, "photos", "noted",
        lambda id_: photos_told(
            workshop, id_, check(ToldFields, form.plain()), me, form.get("once")
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/copies/{line:int}", name="add_copy")
def more_copies(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, line: RowId, form: Filled
) -> Response:
    """Add a copy that ships with the others."""
    return _act(
        request, workshop, number, form, f"copy{line}", "saved",
        lambda id_: add_copy(
            workshop, id_, line, check(AddedCopy, form.plain()),
            check(ChangeAsked, form.plain()).asked, me, form.get("once"),
        ),
    )  # fmt: skip


@router.post("/orders/{number:int}/scale", name="set_scale")
def one_scale(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled
) -> Response:
    """Give the copies that are not begun the sizes of one scale."""

    def act(id_: int) -> None:
        factor = check(ScaleFields, form.plain()).factor
        asked = check(ChangeAsked, form.plain()).asked
        with workshop.database.reading() as db:
            rows = store.rows_of(db, id_)
        set_scale(workshop, rows, factor, asked, me)

    return _act(request, workshop, number, form, "scale", "saved", act)
