"""Saving what was edited of an order, its copies, a customer, an animal or its marks.

Each field that differs is noted, with who changed it and when.
"""

from collections.abc import Mapping
from typing import Any, Literal

from sqlalchemy import Connection, and_, func, insert, select, update

from app.flow.changes import change_in
from app.flow.store import mark_stale
from app.orders.entry.form import OrderWords, Size
from app.orders.order.actions import animal_changed
from app.orders.order.store import OrderRows
from app.shared.people import Person
from app.shared.text import fold
from app.shared.web.fields import Day, Fields, Line, Mail, Name, Number, Short, Tick, Words
from app.studio.workshop import Workshop
from app.tables import animals, changes, copies, customer_mails, customers, marks, orders

_ADDRESS = ("ship_name", "ship_lines", "ship_postcode", "ship_country")


class EditedOrder(OrderWords):
    """The fields of an order that can be changed."""

    gift_day: Day
    needed_by: Day
    ship_phone: Short


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


def last_change(db: Connection, of: str, of_id: int) -> int:
    """The number of the newest change of an order with its copies, a customer or an animal."""
    own = changes.c.order_id == of_id
    if of != "orders":
        own = and_(changes.c.of == of, changes.c.of_id == of_id)
    query = select(func.coalesce(func.max(changes.c.id), 0)).where(own)
    found: int = db.execute(query).scalar_one()
    return found


def save_order(
    workshop: Workshop,
    rows: OrderRows,
    edited: EditedOrder,
    of_copies: Mapping[int, EditedCopy],
    who: Person,
) -> None:
    """Save what differs. A changed inscription or address is no longer confirmed."""
    inscriptions = {copy["id"]: copy["inscription"] for copy in rows.copies}
    order_id, new, now = rows.order["id"], _iso(edited.model_dump()), workshop.now()
    if any(new[name] != rows.order[name] for name in _ADDRESS):
        new["address_confirmed_at"] = None
    with workshop.database.writing() as db:
        change_in(db, orders, order_id, order_id, new, who, now)
        for copy_id, fields in of_copies.items():
            new = fields.model_dump()
            if fields.inscription != inscriptions[copy_id]:
                new["spelling_confirmed_at"] = None
            change_in(db, copies, copy_id, order_id, new, who, now)
        mark_stale(db, [order_id])
    workshop.changed.set()


def save_customer(
    workshop: Workshop, customer_id: int, fields: EditedCustomer, who: Person
) -> None:
    """Save what differs."""
    new = {
        "name": fields.name,
        "name_key": fold(fields.name),
        "address_as": fields.address_as,
        "phone": fields.phone,
        "phone_digits": "".join(s for s in fields.phone if s.isdigit()),
        "note": fields.note,
    }
    with workshop.database.writing() as db:
        change_in(db, customers, customer_id, None, new, who, workshop.now())
        _save_mails(db, customer_id, fields)
        of_customer = select(orders.c.id).where(
            orders.c.customer_id == customer_id, orders.c.open == 1
        )
        mark_stale(db, db.execute(of_customer).scalars())
    workshop.changed.set()


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


def save_animal(
    workshop: Workshop,
    animal_id: int,
    fields: EditedAnimal,
    of_marks: Mapping[str, EditedMark],
    who: Person,
) -> None:
    """Save what differs; a mark that is emptied or ticked away is kept, but shown no more.

    `of_marks` goes by the mark's number, "new" for one more.
    """
    new, now = {**fields.model_dump(), "name_key": fold(fields.name)}, workshop.now()
    with workshop.database.writing() as db:
        change_in(db, animals, animal_id, None, new, who, now)
        _save_marks(db, animal_id, of_marks, who, now)
        animal_changed(db, animal_id)
    workshop.changed.set()


def _save_marks(
    db: Connection, animal_id: int, edited: Mapping[str, EditedMark], who: Person, now: int
) -> None:
    for key, mark in edited.items():
        gone = mark.gone or not mark.what
        values = {"what": mark.what, "side": mark.side, "must": int(mark.must)}
        if key != "new":
            new = {"gone_at": now} if gone else values
            change_in(db, marks, int(key), None, new, who, now)
        elif not gone:
            db.execute(insert(marks).values(animal_id=animal_id, **values))
