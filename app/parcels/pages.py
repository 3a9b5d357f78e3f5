"""Handing over at once, and one parcel: what is in it, and that it arrived."""

from collections.abc import Mapping, Sequence
from datetime import time
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy.engine import RowMapping
from starlette.responses import Response

from app.flow.after import belongings
from app.moving.parcels import copy_row
from app.orders.order import store as order_store
from app.orders.order.view import copy_facts
from app.parcels import actions, numbers, packing_pages, rules, store
from app.parcels.actions import ParcelFields, ReceivedFields
from app.parcels.moments import typed_moment
from app.shared.errors import AlreadyMoved, BadFields, NotAllowed, NotFound, Refused
from app.shared.text import whole_number, whole_numbers
from app.shared.web.forms import Filled, Form, check
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, render
from app.studio.web import AskedId, Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.get("/parcels/new", name="new_parcel")
def new_parcel(request: Request, workshop: TheWorkshop, copy: AskedId) -> Response:
    """The form for handing over, with everything of the order that is packed."""
    return _form(request, workshop, copy)


@router.post("/parcels/new", name="hand_over")
def hand_over(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Hand over; with every reason at once where something stands against it."""
    ids = whole_numbers(form.many("copy"))
    asked = whole_number(form.get("for"))
    first = asked if asked is not None else (ids[0] if ids else 0)
    try:
        typed = check(ParcelFields, form.plain())
        sent = typed_moment(workshop, typed.sent_on, typed.sent_at, "sent")
        lent = whole_numbers(form.many("lent"))
        parcel_id, _ = actions.hand_over(workshop, ids, typed, sent, me, lent, asks=True)
    except BadFields as why:
        return _form(request, workshop, first, form, why.fields, 422)
    except (NotFound, NotAllowed, AlreadyMoved):
        raise
    except Refused as why:
        return _form(request, workshop, first, form, {"": str(why)}, status_of(why))
    return go(request, f"/parcels/{parcel_id}?done=moved")


def _form(
    request: Request,
    workshop: Workshop,
    copy_id: int,
    form: Form | None = None,
    errors: dict[str, str] | None = None,
    status: int = 200,
) -> Response:
    now = workshop.now()
    with workshop.database.reading() as db:
        asked = copy_row(db, copy_id)
        theirs = store.packed(db, now, customer_id=asked["customer_id"])
        lent = belongings.here(db, {p.row["order_id"] for p in theirs})
    packed = [p for p in theirs if p.row["order_id"] == asked["order_id"]]
    together = [p for p in theirs if p.row["order_id"] != asked["order_id"]]
    ticked = set(form.many("copy")) if form else {str(p.row["id"]) for p in packed}
    context: dict[str, Any] = {
        "asked": asked,
        "facts": copy_facts,
        "packed": packed,
        "lent": _lent(lent, form),
        "ashes_by_post": belongings.ASHES_BY_POST,
        "together": together,
        "ticked": ticked,
        "typed": form.plain() if form else {"carrier": (_carriers(workshop) or [""])[0]},
        "errors": errors or {},
        "carriers": _carriers(workshop),
        "texting": [carrier.name for carrier in workshop.in_force().carriers if carrier.texts],
        "warning": numbers.warning(workshop, form.get("carrier"), form.get("number"))
        if form
        else "",
    }
    return render(request, "parcels/new.html", context, status)


def _lent(
    here: Mapping[int, Sequence[RowMapping]], form: Form | None
) -> list[tuple[RowMapping, str, bool]]:
    """What of the customer's is here, in words, and whether it is ticked to go into the parcel."""
    ticked = form.many("lent") if form else None
    return [
        (row, belongings.named(row), str(row["id"]) in ticked if ticked is not None else False)
        for rows in here.values()
        for row in rows
    ]


def _carriers(workshop: Workshop) -> list[str]:
    return [carrier.name for carrier in workshop.in_force().carriers]


@router.get("/parcels/{parcel:int}", name="parcel")
def parcel(request: Request, workshop: TheWorkshop, parcel: RowId) -> Response:
    """One parcel."""
    return whole(request, workshop, parcel)


def whole(
    request: Request, workshop: Workshop, parcel_id: int,
    typed: dict[str, str] | None = None, errors: dict[str, str] | None = None, status: int = 200,
) -> Response:  # fmt: skip
    """The page of a parcel, whether it has left or not."""
    now = workshop.now()
    with workshop.database.reading() as db:
        found = store.contents(db, parcel_id, now)
        row, inside = found.row, [piece.row for piece in found.pieces]
        people = order_store.names(db)
        undo = store.undoable(db, inside, now) if row["sent_at"] is not None else None
        pictures = store.pictures(db, parcel_id)
        its_way = numbers.on_its_page(workshop, db, row, inside, request.app.state.to_write)
    if row["sent_at"] is None and row["taken_back_at"] is None:
        return packing_pages.page(request, workshop, found, errors=errors, status=status)
    context = {
        "parcel": row,
        "inside": inside,
        "people": people,
        "undo": undo,
        "pictures": pictures,
        "kinds": rules.PICTURES,
        "waiting": any(copy["step"] == "handed_over" for copy in inside),
        "warning": numbers.warning(workshop, row["carrier"], row["number"]),
        "typed": {"carrier": row["carrier"], "number": row["number"], **(typed or {})},
        "errors": errors or {},
        **its_way,
    }
    return render(request, "parcels/parcel.html", context, status)


@router.post("/parcels/{parcel:int}/received", name="parcel_received")
def received(
    request: Request, workshop: TheWorkshop, me: Me, parcel: RowId, form: Filled
) -> Response:
    """It has arrived: by the carrier's or the customer's word."""
    typed = form.plain()
    try:
        fields = check(ReceivedFields, typed)
        when = typed_moment(workshop, fields.sent_on, fields.sent_at, "sent", usual=time(12))
        actions.received(workshop, parcel, when, me, form.get("once"), fields.word)
    except BadFields as why:
        return whole(request, workshop, parcel, typed, why.fields, 422)
    return go(request, f"/parcels/{parcel}?done=moved")


@router.post("/orders/{number:int}/address", name="confirm_address")
def address(request: Request, workshop: TheWorkshop, me: Me, number: RowId) -> Response:
    """The customer has confirmed the address."""
    return _confirm(request, workshop, me, number, "address", None)


@router.post("/orders/{number:int}/spelling/{copy:int}", name="confirm_spelling")
def spelling(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, copy: RowId
) -> Response:
    """The customer has confirmed a copy's spelling."""
    return _confirm(request, workshop, me, number, "spelling", copy)


def _confirm(
    request: Request, workshop: Workshop, me: Me, number: int, what: str, copy: int | None
) -> Response:
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
    actions.confirm(workshop, order_id, what, copy, me)
    return go(
        request, f"/pieces/copy/{copy}?done=saved" if copy else f"/orders/{number}?done=saved"
    )
