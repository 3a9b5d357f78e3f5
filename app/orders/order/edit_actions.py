"""Saving what was edited of an order, its copies, a customer, an animal or its marks.

Each field that differs is noted, with who changed it and when.
"""

import re
from collections.abc import Collection, Mapping, Sequence
from typing import Literal

from sqlalchemy import Connection, RowMapping, and_, func, insert, select, update

from app.flow import payments
from app.flow.actions import begin_act, entering, settle
from app.flow.approvals import requiring
from app.flow.changes import AskedBy, add_in, change_in, telling
from app.flow.steps import PHOTO_STEPS, Step
from app.flow.store import mark_stale
from app.flow.versions import settle_poses
from app.orders.entry.form import LARGEST_MM, SMALLEST_MM, AnimalDetails, CopyDetails, OrderDetails
from app.orders.entry.store import ADDRESS
from app.orders.facts import sizes
from app.orders.facts.changeable import Detail, changeable
from app.orders.lists import store as lists_store
from app.orders.order.actions import animal_changed
from app.orders.order.regrouping import regroup
from app.orders.order.store import OrderRows
from app.shared.errors import BadFields
from app.shared.people import Person
from app.shared.text import fold
from app.shared.web.fields import Fields, Line, Mail, Name, Number, Short, Tick, Words
from app.studio.workshop import Workshop
from app.tables import animals, changes, copies, customer_mails, customers, marks, orders

# A place: the carrier's telephone number may change without it.
_PLACE = ADDRESS[:-1]


class EditedCustomer(Fields):
    """The fields of a customer that can be changed; a new mail address joins the others."""

    name: Name
    address_as: Short
    phone: Short
    note: Words
    mail: Mail
    receives: Number


class EditedMark(Fields):
    """A mark: what, on which side of the animal, must it match."""

    what: Line
    side: Literal["left", "right", "both", "none", "not_asked"] = "not_asked"
    must: Tick
    gone: Tick


def last_change(db: Connection, of: str, of_id: int) -> int:
    """The number of the newest change of an order with its copies, a customer, or an animal with
    its marks."""
    own = {
        "orders": changes.c.order_id == of_id,
        "customers": and_(changes.c.of == "customers", changes.c.of_id == of_id),
        "animals": lists_store.of_animal(of_id),
    }[of]
    query = select(func.coalesce(func.max(changes.c.id), 0)).where(own)
    found: int = db.execute(query).scalar_one()
    return found


def other_open_orders(db: Connection, rows: OrderRows) -> list[RowMapping]:
    """The customer's other open orders, which a changed address may concern too."""
    theirs = lists_store.orders_of(db, rows.customer["id"])
    return [row for row in theirs if row["open"] and row["id"] != rows.order["id"]]


def save_order(
    workshop: Workshop,
    rows: OrderRows,
    edited: OrderDetails,
    of_copies: Mapping[int, CopyDetails],
    on_bases: Mapping[int, Collection[int]],
    also: Sequence[RowMapping],
    asked: AskedBy,
    who: Person,
) -> None:
    """Save what differs, and the address for the orders of `also` too.

    `on_bases` are, by copy, the further animals (lines of the order) that stand on its base. A
    changed inscription or place is no longer confirmed. Raises BadFields where who stands there
    cannot change.
    """
    new, now = edited.columns(), workshop.now()
    new.pop("approves", None)  # Gates come and go with it.
    of_orders = {rows.order["id"]: new}
    of_orders |= {row["id"]: {name: new[name] for name in ADDRESS} for row in also}
    with workshop.database.writing() as db, telling(db, of_orders.keys(), now):
        for order_id, values in of_orders.items():
            before = db.execute(select(orders).where(orders.c.id == order_id)).mappings().one()
            if any(values[name] != before[name] for name in _PLACE):
                values["address_confirmed_at"] = None
            change_in(db, orders, order_id, order_id, values, who, now, asked)
        if edited.approves is not None:
            act = begin_act(db, who, now)
            requiring.change_to(act, rows.order["id"], edited.approves)
            settle(act)
        inscriptions = {copy["id"]: copy["inscription"] for copy in rows.copies}
        for copy_id, fields in of_copies.items():
            values = fields.columns()
            if values["inscription"] != inscriptions[copy_id]:
                values["spelling_confirmed_at"] = None
            change_in(db, copies, copy_id, rows.order["id"], values, who, now, asked)
        _settle_poses(db, rows, of_copies, who, now)
        payments.noted(db, rows.order["id"], who, now)
        regroup(db, rows, on_bases, asked, who, now)
        mark_stale(db, of_orders)
    workshop.changed.set()


def pose_problems(rows: OrderRows, of_copies: Mapping[int, CopyDetails]) -> dict[str, str]:
    """What to say, by field, of poses that cannot change any more.

    Where copies of one model are in two poses, what they were ordered in may still be put right.
    """
    mixed = two_poses(rows)
    return {
        f"k{row['id']}_pose": "It has been begun: its pose can’t be changed any more."
        for row in rows.copies
        if row["id"] in of_copies
        and fold(of_copies[row["id"]].pose) != fold(row["pose"])
        and row["model_id"] not in mixed
        and Detail.POSE not in changeable(Step(row["step"]))
    }


def two_poses(rows: OrderRows) -> set[int]:
    """The models, past their photos, of which nobody has said in which pose of two they are."""
    return {
        row["id"]
        for row in rows.models
        if row["pose"] is None
        and row["step"] not in PHOTO_STEPS
        and len(_poses(rows, row["id"])) > 1
    }


def _poses(rows: OrderRows, model_id: int) -> set[str]:
    its = (row for row in rows.copies if row["model_id"] == model_id)
    return {fold(row["pose"]) for row in its if row["pose"] and row["step"] != Step.CANCELLED}


def _settle_poses(
    db: Connection, rows: OrderRows, of_copies: Mapping[int, CopyDetails], who: Person, now: int
) -> None:
    """Copies whose pose was changed come to the version of their model in it."""
    models_ = two_poses(rows) | {
        row["model_id"]
        for row in rows.copies
        if row["id"] in of_copies and of_copies[row["id"]].pose != row["pose"]
    }
    if models_:
        book = entering(db, who, now)
        for model_id in sorted(models_):
            settle_poses(book.act, model_id, now)
        book.close()


class ScaleFields(Fields):
    """One scale for several animals, as how many times smaller than they are."""

    scale: Short

    @property
    def factor(self) -> float:
        """The scale as a number. Raises BadFields where there is none."""
        typed = self.scale.replace(",", ".").rpartition(":")[2].strip()
        if not re.fullmatch(r"\d{1,3}(?:\.\d)?", typed) or not 1 <= float(typed) <= 200:
            raise BadFields({"scale": "How many times smaller? A number from 1 to 200, like 9."})
        return float(typed)


def set_scale(
    workshop: Workshop, rows: OrderRows, factor: float, asked: AskedBy, who: Person
) -> int:
    """Give the copies of an order that are not begun the sizes of one scale; gives how many.

    What nobody measured, or is measured elsewhere than its animal, keeps its size. Raises BadFields
    where no copy would get a size, or one that cannot be made.
    """
    new = {
        row["id"]: mm
        for row in rows.copies
        if Detail.SIZE in changeable(Step(row["step"]))
        and (mm := sizes.at_scale(factor, row["measured"], _height(rows, row))) is not None
    }
    if not new:
        raise BadFields(
            {"scale": "None of these copies can be set: they are begun, or not measured."}
        )
    if any(not SMALLEST_MM <= mm <= LARGEST_MM for mm in new.values()):
        said = ", ".join(f"{mm} mm" for mm in sorted(set(new.values())))
        raise BadFields(
            {"scale": f"That would make {said}: {SMALLEST_MM} to {LARGEST_MM} mm, please."}
        )
    order_id, now = rows.order["id"], workshop.now()
    with workshop.database.writing() as db, telling(db, [order_id], now):
        for copy_id, mm in new.items():
            change_in(db, copies, copy_id, order_id, {"size_mm": mm}, who, now, asked)
        mark_stale(db, [order_id])
    workshop.changed.set()
    return len(new)


def _height(rows: OrderRows, copy: RowMapping) -> str:
    """The words for how big a copy's animal is."""
    animal_of = {row["id"]: row["animal_id"] for row in rows.models}
    heights = {row["id"]: row["height"] for row in rows.animals}
    return str(heights.get(animal_of.get(copy["model_id"]), ""))


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
    fields: AnimalDetails,
    of_marks: Mapping[str, EditedMark],
    asked: AskedBy,
    who: Person,
) -> None:
    """Save what differs; a mark that is emptied or ticked away is kept, but shown no more.

    `of_marks` goes by the mark's number, "new" for one more.
    """
    new, now = fields.columns(), workshop.now()
    with workshop.database.writing() as db:
        change_in(db, animals, animal_id, None, new, who, now, asked)
        _save_marks(db, animal_id, of_marks, asked, who, now)
        animal_changed(db, animal_id)
    workshop.changed.set()


def _save_marks(
    db: Connection,
    animal_id: int,
    edited: Mapping[str, EditedMark],
    asked: AskedBy,
    who: Person,
    now: int,
) -> None:
    for key, mark in edited.items():
        gone = mark.gone or not mark.what
        values = {"what": mark.what, "side": mark.side, "must": int(mark.must)}
        if key != "new":
            new = {"gone_at": now} if gone else values
            change_in(db, marks, int(key), None, new, who, now, asked)
        elif not gone:
            add_in(db, marks, None, {"animal_id": animal_id, **values}, "what", who, now, asked)
