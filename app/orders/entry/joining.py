"""A copy that joins an order, and the version of the model that it is made from."""

from sqlalchemy import Connection, RowMapping, func, select

from app.flow import payments
from app.flow.actions import entering
from app.flow.changes import AskedBy, change_in, note, telling
from app.flow.news import ADDED
from app.flow.steps import Of, Step
from app.flow.store import mark_stale
from app.flow.versions import in_pose, version_for
from app.orders.entry.form import AddedCopy
from app.orders.facts.sizes import usual
from app.shared.errors import BadFields
from app.shared.people import Person
from app.studio.workshop import Workshop
from app.tables import animals, copies, models, order_animals, orders, transitions


def add_copy(
    workshop: Workshop,
    order_id: int,
    order_animal_id: int,
    typed: AddedCopy,
    asked: AskedBy,
    who: Person,
    once: str,
) -> None:
    """Add a copy to an animal of an open order, while its model is open.

    The last day for copies only warns. Raises BadFields where the model is finished; a follow-on
    order is the way then. And where the order is paid in full, unless it is said whether this copy
    is too.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        row = _line_that_takes_copies(db, order_id, order_animal_id, typed.pose)
        last = db.execute(
            select(func.coalesce(func.max(copies.c.number), 0)).where(
                copies.c.order_id == row["order_id"], copies.c.letter == row["letter"]
            )
        ).scalar_one()
        if once and _added_before(db, row["order_id"], once):
            return
        if row["paid"] == "all" and not typed.paid:
            raise BadFields({"paid": "The order is paid in full. Is this copy too?"})
        book = entering(db, who, now)
        book.act.once = once
        of = (row["order_id"], row["letter"])
        values = {
            **typed.columns(),
            "pose": typed.pose or row["pose"],
            "measured": typed.measured or usual(row["kind"]) or None,
            "order_id": row["order_id"],
            "order_animal_id": order_animal_id,
            "model_id": version_for(book.act, row["model_id"], of, typed.pose, now),
            "letter": row["letter"],
            "number": last + 1,
        }
        made = book.piece(Of.COPY, values, Step.NOT_BEGUN, now)
        book.close()
        with telling(db, [order_id], now):
            note(
                db, who.account_id, now, "copies", ADDED, "", f"{row['letter']}{last + 1}",
                of_id=made.id, order_id=order_id, asked=asked,
            )  # fmt: skip
        if row["paid"] == "all":
            change_in(db, orders, order_id, order_id, {"paid": typed.paid}, who, now)
            payments.noted(db, order_id, who, now)
        mark_stale(db, [row["order_id"]])
    workshop.changed.set()


def _line_that_takes_copies(
    db: Connection, order_id: int, order_animal_id: int, pose: str
) -> RowMapping:
    """An animal's line of an open order that a copy in a pose may still join. Raises BadFields."""
    line = copies.c.order_animal_id == order_animal_id
    first = select(copies.c.pose).where(line).order_by(copies.c.number).limit(1)
    row = (
        db.execute(
            select(
                order_animals.c.order_id,
                order_animals.c.letter,
                order_animals.c.model_id,
                func.coalesce(models.c.pose, first.scalar_subquery(), "").label("pose"),
                orders.c.open,
                orders.c.paid,
                animals.c.kind,
            )
            .join(animals, animals.c.id == order_animals.c.animal_id)
            .join(models, models.c.id == order_animals.c.model_id)
            .join(orders, orders.c.id == order_animals.c.order_id)
            .where(order_animals.c.id == order_animal_id, order_animals.c.order_id == order_id)
        )
        .mappings()
        .first()
    )
    its = (models.c.order_id == order_id) & (models.c.letter == (row["letter"] if row else ""))
    going = db.execute(select(models.c.id).where(its, models.c.open == 1)).first()
    if row is None or not row["open"] or going is None:
        raise BadFields({"": "The model is finished, so more copies are an order of their own."})
    version = in_pose(db, row["model_id"], pose)
    if version is not None and not version["open"]:
        said = f" {pose}" if pose else ""
        why = f"The model{said} is finished: more copies of it are an order of their own."
        raise BadFields({"pose": why})
    return row


def _added_before(db: Connection, order_id: int, once: str) -> bool:
    query = (
        select(transitions.c.id)
        .join(copies, copies.c.id == transitions.c.copy_id)
        .where(copies.c.order_id == order_id, transitions.c.once == once)
    )
    return db.execute(query).first() is not None
