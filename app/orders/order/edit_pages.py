"""Editing an order, its copies, a customer, an animal and its marks: who and when are kept.

A form carries the number of the last change that its page showed: what a colleague changed in the
meantime is said, and not overwritten unseen.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy import RowMapping
from starlette.responses import Response

from app.flow.approvals.rules import Approves
from app.flow.steps import Step
from app.orders.entry.form import (
    COPY_COLUMNS,
    AnimalDetails,
    ChangeAsked,
    CopyDetails,
    OrderDetails,
)
from app.orders.entry.shape import under
from app.orders.facts import sizes
from app.orders.facts.changeable import may_regroup
from app.orders.lists import store as lists_store
from app.orders.order import edit_actions
from app.orders.order import store as order_store
from app.orders.order.edit_actions import EditedCustomer, EditedMark
from app.shared.errors import BadFields
from app.shared.text import whole_number
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop

router = APIRouter()


def _unseen(typed: dict[str, str], newest: int) -> dict[str, str]:
    """What to say of a form that is not whole, or whose page is older than the newest change."""
    if "seen" not in typed:
        return {"": "This form is not complete. Load the page again."}
    if typed["seen"] != str(newest):
        typed["seen"] = str(newest)
        return {"": "Somebody else changed this meanwhile. Save again to replace it with yours."}
    return {}


def _past(fields: OrderDetails, before: Any, today: date) -> dict[str, str]:
    """A day that is set anew lies ahead; one that has passed since may stay."""
    return {
        name: "That day is past. A day after today, or leave it empty."
        for name in ("needed_by", "gift_day")
        if (day := getattr(fields, name)) is not None
        and day.isoformat() != before[name]
        and day <= today
    }


# ---------------------------------------------------------------- the order and its copies


@router.get("/orders/{number:int}/edit", name="edit_order")
def edit_order(request: Request, workshop: TheWorkshop, number: RowId) -> Response:
    """The order's fields, as they are."""
    with workshop.database.reading() as db:
        rows = order_store.rows_of(db, order_store.by_number(db, number))
        newest = edit_actions.last_change(db, "orders", rows.order["id"])
        others = edit_actions.other_open_orders(db, rows)
    typed = {name: str(v) if v is not None else "" for name, v in rows.order.items()}
    typed["seen"] = str(newest)
    typed["gift"] = "1" if rows.order["gift"] else ""
    typed["approves"] = rows.order["approves"] or Approves.NOTHING
    for copy in rows.copies:
        for name, column in COPY_COLUMNS.items():
            typed[f"k{copy['id']}_{name}"] = str(copy[column]) if copy[column] is not None else ""
        for animal in rows.beside.get(copy["id"], ()):
            typed[f"k{copy['id']}_with_{animal['line_id']}"] = "1"
    return _order_page(request, rows, others, typed)


def _order_page(
    request: Request,
    rows: order_store.OrderRows,
    others: list[RowMapping],
    typed: dict[str, str],
    errors: dict[str, str] | None = None,
    ticked: Sequence[str] = (),
) -> Response:
    context = {
        "rows": rows,
        "copies": [copy for copy in rows.copies if copy["open"]],
        "others": others,
        "regroups": [
            copy["id"]
            for copy in rows.copies
            if len(rows.animals) > 1 and may_regroup(Step(copy["step"]))
        ],
        "measured": list(sizes.CHOICES),
        "two_poses": edit_actions.two_poses(rows),
        "ticked": ticked,
        "typed": typed,
        "errors": errors or {},
    }
    status = 422 if errors else 200
    return render(request, "orders/order/edit.html", context, status)


@router.post("/orders/{number:int}/edit", name="save_edit")
def save_edit(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled
) -> Response:
    """Save what differs. A changed inscription or address is no longer confirmed."""
    typed = form.plain()
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
        rows = order_store.rows_of(db, order_id)
        others = edit_actions.other_open_orders(db, rows)
        wrong = _unseen(typed, edit_actions.last_change(db, "orders", order_id))
    ticked = form.many("others")
    edited, of_copies, asked = None, {}, None
    try:
        asked = check(ChangeAsked, typed).asked
    except BadFields as why:
        wrong |= why.fields
    try:
        edited = check(OrderDetails, typed)
        wrong |= _past(edited, rows.order, workshop.in_force().calendar.day_of(workshop.now()))
    except BadFields as why:
        wrong |= why.fields
    for copy in rows.copies:
        own = under(typed, f"k{copy['id']}_")
        if not own:
            continue
        try:
            of_copies[copy["id"]] = check(CopyDetails, own, f"k{copy['id']}_")
        except BadFields as why:
            wrong |= why.fields
    wrong |= edit_actions.pose_problems(rows, of_copies)
    if wrong or edited is None or asked is None:
        return _order_page(request, rows, others, typed, wrong, ticked)
    also = [row for row in others if str(row["number"]) in ticked]
    try:
        edit_actions.save_order(
            workshop, rows, edited, of_copies, _on_bases(typed), also, asked, me
        )
    except BadFields as why:
        return _order_page(request, rows, others, typed, why.fields, ticked)
    return go(request, f"/orders/{number}?done=saved")


def _on_bases(typed: dict[str, str]) -> dict[int, list[int]]:
    """Who is ticked to stand on the base of each copy of which it was asked."""
    asked = {id_: f"k{id_}_with_" for name in typed if (id_ := _asked_of(name)) is not None}
    # What is no number names no animal, and is said to.
    return {
        id_: [whole_number(name) or 0 for name in under(typed, prefix)]
        for id_, prefix in asked.items()
    }


def _asked_of(name: str) -> int | None:
    """The copy of which a form says that it asks who stands on its base: k12_with."""
    if not (name.startswith("k") and name.endswith("_with")):
        return None
    return whole_number(name.removeprefix("k").removesuffix("_with"))


# ---------------------------------------------------------------- a customer


@router.get("/customers/{id_:int}/edit", name="edit_customer")
def edit_customer(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """A customer's fields, as they are."""
    with workshop.database.reading() as db:
        found = lists_store.one_customer(db, id_)
        newest = edit_actions.last_change(db, "customers", id_)
    typed = {name: str(v) if v is not None else "" for name, v in found["customer"].items()}
    typed["seen"] = str(newest)
    typed["receives"] = next((str(m["id"]) for m in found["mails"] if m["receives"]), "")
    return render(
        request, "orders/order/edit_customer.html", {**found, "typed": typed, "errors": {}}
    )


@router.post("/customers/{id_:int}/edit", name="save_customer")
def save_customer(
    request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled
) -> Response:
    """Save what differs."""
    typed = form.plain()
    with workshop.database.reading() as db:
        found = lists_store.one_customer(db, id_)
        wrong = _unseen(typed, edit_actions.last_change(db, "customers", id_))
    try:
        fields = check(EditedCustomer, typed)
        if wrong:
            raise BadFields(wrong)
    except BadFields as why:
        context = {**found, "typed": typed, "errors": why.fields}
        return render(request, "orders/order/edit_customer.html", context, 422)
    edit_actions.save_customer(workshop, id_, fields, me)
    return go(request, f"/customers/{id_}?done=saved")


# ---------------------------------------------------------------- an animal and its marks


@router.get("/animals/{id_:int}/edit", name="edit_animal")
def edit_animal(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """An animal's fields and marks, as they are."""
    with workshop.database.reading() as db:
        found = lists_store.one_animal(db, id_)
        newest = edit_actions.last_change(db, "animals", id_)
    typed = {name: str(v) if v is not None else "" for name, v in found["animal"].items()}
    typed["seen"] = str(newest)
    typed |= _as_typed(found["marks"], typed)
    return render(request, "orders/order/edit_animal.html", {**found, "typed": typed, "errors": {}})


def _as_typed(marks: Sequence[RowMapping], typed: Mapping[str, str]) -> dict[str, str]:
    """The marks that a form does not have yet, as its fields show them: an empty one would be
    taken off."""
    return {
        f"m{mark['id']}_{name}": value
        for mark in marks
        if f"m{mark['id']}_what" not in typed
        for name, value in (
            ("what", mark["what"]), ("side", mark["side"]), ("must", "1" if mark["must"] else ""),
        )
    }  # fmt: skip


@router.post("/animals/{id_:int}/edit", name="save_animal")
def save_animal(
    request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled
) -> Response:
    """Save what differs; a mark that is emptied or ticked away is kept, but shown no more."""
    typed = form.plain()
    with workshop.database.reading() as db:
        found = lists_store.one_animal(db, id_)
        wrong = _unseen(typed, edit_actions.last_change(db, "animals", id_))
    fields, edited, asked = None, {}, None
    try:
        asked = check(ChangeAsked, typed).asked
    except BadFields as why:
        wrong |= why.fields
    try:
        fields = check(AnimalDetails, typed)
    except BadFields as why:
        wrong |= why.fields
    # A mark that the form does not know was noted by a colleague meanwhile: it stays as it is.
    for key in [str(m["id"]) for m in found["marks"]] + ["new"]:
        if f"m{key}_what" not in typed:
            continue
        try:
            edited[key] = check(EditedMark, under(typed, f"m{key}_"), f"m{key}_")
        except BadFields as why:
            wrong |= why.fields
    if wrong or fields is None or asked is None:
        typed |= _as_typed(found["marks"], typed)
        context = {**found, "typed": typed, "errors": wrong}
        return render(request, "orders/order/edit_animal.html", context, 422)
    edit_actions.save_animal(workshop, id_, fields, edited, asked, me)
    return go(request, f"/animals/{id_}?done=saved")
