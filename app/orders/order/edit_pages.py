"""Editing an order, its copies, a customer, an animal and its marks: who and when are kept.

A form carries the number of the last change that its page showed: what a colleague changed in the
meantime is said, and not overwritten unseen.
"""

from datetime import date
from typing import Any, Literal

from fastapi import APIRouter, Request
from sqlalchemy import Connection, and_, func, insert, select, update
from starlette.responses import Response

from app.flow.store import mark_stale
from app.orders.entry.form import Size
from app.orders.lists import store as lists_store
from app.orders.order import store as order_store
from app.orders.order.actions import animal_changed, change_in
from app.shared.errors import BadFields
from app.shared.people import Person
from app.shared.text import fold
from app.shared.web.fields import Day, Fields, Line, Mail, Name, Number, Short, Tick, Words
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop
from app.tables import animals, changes, copies, customer_mails, customers, marks, orders

router = APIRouter()
_ADDRESS = ("ship_name", "ship_lines", "ship_postcode", "ship_country")


class EditedOrder(Fields):
    """The fields of an order that can be changed."""

    shop_reference: Short
    channel: Literal["shop", "phone", "mail", "in_person", "other"] = "shop"
    paid: Literal["none", "part", "all"] = "none"
    gift: Tick
    gift_day: Day
    needed_by: Day
    needed_reason: Line
    ship_name: Line
    ship_lines: Words
    ship_postcode: Short
    ship_country: Short
    ship_phone: Short
    parcel_note: Line
    note: Words


class EditedCopy(Fields):
    """The fields of a copy that can be changed."""

    size_mm: Size
    pose: Short
    base: Short
    finish: Short
    inscription: Line
    extras: Line
    bench_note: Line


class EditedCustomer(Fields):
    """The fields of a customer that can be changed; a new mail address joins the others."""

    name: Name
    address_as: Short
    phone: Short
    note: Words
    mail: Mail
    receives: Number


class EditedAnimal(Fields):
    """The fields of an animal that can be changed."""

    name: Name
    kind: Line
    breed: Line
    sex: Literal["female", "male", "not_said"] = "not_said"
    life: Literal["living", "remembered", "not_said"] = "not_said"
    age_shown: Short
    height: Short
    colours: Line
    note: Words


class EditedMark(Fields):
    """A mark: what, on which side of the animal, must it match."""

    what: Line
    side: Literal["left", "right", "both", "none", "not_asked"] = "not_asked"
    must: Tick
    gone: Tick


def _iso(values: dict[str, Any]) -> dict[str, Any]:
    """Days and ticks as they lie in the database."""
    return {
        name: int(v) if isinstance(v, bool) else v.isoformat() if hasattr(v, "isoformat") else v
        for name, v in values.items()
    }


def _under(typed: dict[str, str], prefix: str) -> dict[str, str]:
    return {name.removeprefix(prefix): v for name, v in typed.items() if name.startswith(prefix)}


def _last_change(db: Connection, of: str, of_id: int) -> int:
    """The number of the newest change of an order with its copies, a customer or an animal."""
    own = changes.c.order_id == of_id
    if of != "orders":
        own = and_(changes.c.of == of, changes.c.of_id == of_id)
    query = select(func.coalesce(func.max(changes.c.id), 0)).where(own)
    found: int = db.execute(query).scalar_one()
    return found


def _unseen(typed: dict[str, str], newest: int) -> dict[str, str]:
    """What to say of a form that is not whole, or whose page is older than the newest change."""
    if "seen" not in typed:
        return {"": "This form is not complete. Load the page again."}
    if typed["seen"] != str(newest):
        typed["seen"] = str(newest)
        return {"": "Somebody changed this meanwhile. To save yours over it, save once more."}
    return {}


def _past(fields: EditedOrder, before: Any, today: date) -> dict[str, str]:
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
        newest = _last_change(db, "orders", rows.order["id"])
    typed = {name: str(v) if v is not None else "" for name, v in rows.order.items()}
    typed["seen"] = str(newest)
    typed["gift"] = "1" if rows.order["gift"] else ""
    for copy in rows.copies:
        for name in EditedCopy.model_fields:
            typed[f"k{copy['id']}_{name}"] = str(copy[name]) if copy[name] is not None else ""
    return _order_page(request, rows, typed, {})


def _order_page(
    request: Request,
    rows: order_store.OrderRows,
    typed: dict[str, str],
    errors: dict[str, str],
    status: int = 200,
) -> Response:
    shown = [copy for copy in rows.copies if copy["open"]]
    context = {"rows": rows, "copies": shown, "typed": typed, "errors": errors}
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
        wrong = _unseen(typed, _last_change(db, "orders", order_id))
    found: list[tuple[Any, int, dict[str, Any]]] = []
    try:
        edited = check(EditedOrder, typed)
        wrong |= _past(edited, rows.order, workshop.in_force().calendar.day_of(workshop.now()))
        found.append((orders, order_id, _iso(edited.model_dump())))
    except BadFields as why:
        wrong |= why.fields
    for copy in rows.copies:
        own = _under(typed, f"k{copy['id']}_")
        if not own:
            continue
        try:
            fields = check(EditedCopy, own, f"k{copy['id']}_")
            found.append((copies, copy["id"], fields.model_dump()))
        except BadFields as why:
            wrong |= why.fields
    if wrong:
        return _order_page(request, rows, typed, wrong, 422)
    _save_order(workshop, order_id, rows, found, me)
    return go(request, f"/orders/{number}?done=saved")


def _save_order(
    workshop: Workshop,
    order_id: int,
    rows: order_store.OrderRows,
    found: list[tuple[Any, int, dict[str, Any]]],
    who: Person,
) -> None:
    inscriptions = {copy["id"]: copy["inscription"] for copy in rows.copies}
    now = workshop.now()
    with workshop.database.writing() as db:
        for table, row_id, new in found:
            if table is orders and any(new[name] != rows.order[name] for name in _ADDRESS):
                new["address_confirmed_at"] = None
            if table is copies and new["inscription"] != inscriptions[row_id]:
                new["spelling_confirmed_at"] = None
            change_in(db, table, row_id, order_id, new, who, now)
        mark_stale(db, [order_id])
    workshop.changed.set()


# ---------------------------------------------------------------- a customer


@router.get("/customers/{id_:int}/edit", name="edit_customer")
def edit_customer(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """A customer's fields, as they are."""
    with workshop.database.reading() as db:
        found = lists_store.one_customer(db, id_)
        newest = _last_change(db, "customers", id_)
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
    typed, now = form.plain(), workshop.now()
    with workshop.database.reading() as db:
        found = lists_store.one_customer(db, id_)
        wrong = _unseen(typed, _last_change(db, "customers", id_))
    try:
        fields = check(EditedCustomer, typed)
        if wrong:
            raise BadFields(wrong)
    except BadFields as why:
        context = {**found, "typed": typed, "errors": why.fields}
        return render(request, "orders/order/edit_customer.html", context, 422)
    new = {
        "name": fields.name,
        "name_key": fold(fields.name),
        "address_as": fields.address_as,
        "phone": fields.phone,
        "phone_digits": "".join(s for s in fields.phone if s.isdigit()),
        "note": fields.note,
    }
    with workshop.database.writing() as db:
        change_in(db, customers, id_, None, new, me, now)
        _save_mails(db, id_, fields)
        of_customer = select(orders.c.id).where(orders.c.customer_id == id_, orders.c.open == 1)
        mark_stale(db, db.execute(of_customer).scalars())
    workshop.changed.set()
    return go(request, f"/customers/{id_}?done=saved")


def _save_mails(db: Connection, customer_id: int, fields: EditedCustomer) -> None:
    own = customer_mails.c.customer_id == customer_id
    known = {r.mail_key: r.id for r in db.execute(select(customer_mails).where(own))}
    chosen = fields.receives if fields.receives in known.values() else None
    if fields.mail and fields.mail.casefold() not in known:
        made = db.execute(
            insert(customer_mails).values(
                customer_id=customer_id, mail=fields.mail, mail_key=fields.mail.casefold()
            )
        ).inserted_primary_key
        assert made is not None
        chosen = chosen if chosen is not None and fields.receives else int(made[0])
    if chosen is not None:
        db.execute(update(customer_mails).where(own).values(receives=0))
        db.execute(update(customer_mails).where(customer_mails.c.id == chosen).values(receives=1))


# ---------------------------------------------------------------- an animal and its marks


@router.get("/animals/{id_:int}/edit", name="edit_animal")
def edit_animal(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """An animal's fields and marks, as they are."""
    with workshop.database.reading() as db:
        found = lists_store.one_animal(db, id_)
        newest = _last_change(db, "animals", id_)
    typed = {name: str(v) if v is not None else "" for name, v in found["animal"].items()}
    typed["seen"] = str(newest)
    for mark in found["marks"]:
        typed[f"m{mark['id']}_what"] = mark["what"]
        typed[f"m{mark['id']}_side"] = mark["side"]
        typed[f"m{mark['id']}_must"] = "1" if mark["must"] else ""
    return render(request, "orders/order/edit_animal.html", {**found, "typed": typed, "errors": {}})


@router.post("/animals/{id_:int}/edit", name="save_animal")
def save_animal(
    request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled
) -> Response:
    """Save what differs; a mark that is emptied or ticked away is kept, but shown no more."""
    typed, now = form.plain(), workshop.now()
    with workshop.database.reading() as db:
        found = lists_store.one_animal(db, id_)
        wrong = _unseen(typed, _last_change(db, "animals", id_))
    fields, edited = None, {}
    try:
        fields = check(EditedAnimal, typed)
    except BadFields as why:
        wrong |= why.fields
    # A mark that the form does not know was noted by a colleague meanwhile: it stays as it is.
    for key in [str(m["id"]) for m in found["marks"]] + ["new"]:
        if f"m{key}_what" not in typed:
            continue
        try:
            edited[key] = check(EditedMark, _under(typed, f"m{key}_"), f"m{key}_")
        except BadFields as why:
            wrong |= why.fields
    if wrong or fields is None:
        context = {**found, "typed": typed, "errors": wrong}
        return render(request, "orders/order/edit_animal.html", context, 422)
    new = {**fields.model_dump(), "name_key": fold(fields.name)}
    with workshop.database.writing() as db:
        change_in(db, animals, id_, None, new, me, now)
        _save_marks(db, id_, edited, me, now)
        animal_changed(db, id_)
    workshop.changed.set()
    return go(request, f"/animals/{id_}?done=saved")


def _save_marks(
    db: Connection, animal_id: int, edited: dict[str, EditedMark], who: Person, now: int
) -> None:
    for key, mark in edited.items():
        gone = mark.gone or not mark.what
        values = {"what": mark.what, "side": mark.side, "must": int(mark.must)}
        if key != "new":
            new = {"gone_at": now} if gone else values
            change_in(db, marks, int(key), None, new, who, now)
        elif not gone:
            db.execute(insert(marks).values(animal_id=animal_id, **values))
