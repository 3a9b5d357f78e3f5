"""Everything about one order, read for its page in a handful of queries."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, literal_column, or_, select
from sqlalchemy.engine import RowMapping

from app.flow import groups
from app.flow.after.belongings import NAMED
from app.flow.after.cases import MENDS
from app.flow.rules import Entry
from app.flow.steps import Of
from app.flow.store import Ref, entry_of_row
from app.orders.lists.store import changed
from app.shared.errors import NotFound
from app.tables import (
    accounts,
    animals,
    belongings,
    changes,
    contacts,
    copies,
    customer_mails,
    customers,
    marks,
    models,
    news,
    order_animals,
    orders,
    parcels,
    parts,
    questions,
    status_links,
    tellings,
    transitions,
    waiting_list,
)

Row = RowMapping


@dataclass(frozen=True, slots=True)
class OrderRows:
    """The rows of an order, as they lie in the database.

    `beside` are, by copy, the order's further animals on its base.
    """

    order: Row
    customer: Row
    mails: Sequence[Row]
    animals: Sequence[Row]
    models: Sequence[Row]
    copies: Sequence[Row]
    beside: Mapping[int, Sequence[Row]]
    marks: Sequence[Row]
    questions: Sequence[Row]
    contacts: Sequence[Row]
    tellings: Sequence[Row]
    parcels: Sequence[Row]
    parts: Sequence[Row]
    belongings: Sequence[Row]
    news: Sequence[Row]
    links: Sequence[Row]
    changes: Sequence[Mapping[Any, Any]]
    log: Sequence[tuple[Ref, Entry]]
    people: Mapping[int, str]
    earlier: int


def by_number(db: Connection, number: int) -> int:
    """The id of the order with a number. Raises NotFound."""
    found = db.execute(select(orders.c.id).where(orders.c.number == number)).scalar()
    if found is None:
        raise NotFound("There is no order with that number.")
    return int(found)


def rows_of(db: Connection, order_id: int) -> OrderRows:
    """Everything about an order. Raises NotFound."""
    listed = orders.outerjoin(waiting_list, waiting_list.c.order_id == orders.c.id)
    query = select(orders, waiting_list.c.put_at).select_from(listed)
    order = db.execute(query.where(orders.c.id == order_id)).mappings().first()
    if order is None:
        raise NotFound("There is no such order.")
    customer_id = order["customer_id"]
    found_animals, found_models, found_copies = _pieces_of(db, order_id)
    return OrderRows(
        order=order,
        customer=_many(db, select(customers).where(customers.c.id == customer_id))[0],
        mails=_many(
            db,
            select(customer_mails)
            .where(customer_mails.c.customer_id == customer_id)
            .order_by(customer_mails.c.receives.desc(), customer_mails.c.id),
        ),
        animals=found_animals,
        models=found_models,
        copies=found_copies,
        beside=_beside(found_animals, found_copies),
        marks=_marks_of(db, [row["id"] for row in found_animals]),
        questions=_of_order(db, questions, order_id, "asked_at"),
        contacts=_of_order(db, contacts, order_id, "at"),
        tellings=_of_order(db, tellings, order_id, "at"),
        parcels=_parcels_of(db, [row["parcel_id"] for row in found_copies if row["parcel_id"]]),
        parts=_of_order(db, parts, order_id, "noted_at"),
        belongings=_many(
            db,
            NAMED.where(belongings.c.order_id == order_id, belongings.c.gone_at.is_(None)).order_by(
                belongings.c.returned_at.is_not(None), belongings.c.id
            ),
        ),
        news=_of_order(db, news, order_id, "at"),
        links=_of_order(db, status_links, order_id, "made_at"),
        changes=changed(db, changes.c.order_id == order_id),
        log=log_of_pieces(
            db, [row["id"] for row in found_models], [row["id"] for row in found_copies]
        ),
        people=names(db),
        earlier=_other_orders(db, customer_id, order_id),
    )


def _many(db: Connection, query: Any) -> Sequence[Row]:
    return db.execute(query).mappings().all()


def _pieces_of(db: Connection, order_id: int) -> tuple[Sequence[Row], Sequence[Row], Sequence[Row]]:
    """The order's animals with their letters, the models that it waits for, and its copies."""
    found_animals = _many(
        db,
        select(
            animals,
            order_animals.c.letter,
            order_animals.c.model_id,
            order_animals.c.id.label("line_id"),
        )
        .join(order_animals, order_animals.c.animal_id == animals.c.id)
        .where(order_animals.c.order_id == order_id)
        .order_by(order_animals.c.letter),
    )
    found_copies = _many(
        db,
        select(
            copies,
            groups.letters(copies.c.id).label("letters_beside"),
            literal_column(MENDS.format("copies")).label("mends"),
        )
        .where(copies.c.order_id == order_id, copies.c.withdrawn == 0)
        .order_by(copies.c.letter, copies.c.number, copies.c.making),
    )
    model_ids = {row["model_id"] for row in (*found_animals, *found_copies)}
    found_models = _many(
        db,
        select(models)
        .where(or_(models.c.id.in_(model_ids), models.c.order_id == order_id))
        .order_by(models.c.letter, models.c.number),
    )
    return found_animals, found_models, found_copies


def _beside(
    found_animals: Sequence[Row], found_copies: Sequence[Row]
) -> Mapping[int, Sequence[Row]]:
    """By copy, the further animals that stand on its base, in the order of their letters."""
    return {
        copy["id"]: [row for row in found_animals if row["letter"] in copy["letters_beside"]]
        for copy in found_copies
        if copy["letters_beside"]
    }


def _marks_of(db: Connection, animal_ids: list[int]) -> Sequence[Row]:
    here = marks.c.animal_id.in_(animal_ids) & marks.c.gone_at.is_(None)
    return _many(db, select(marks).where(here).order_by(marks.c.id))


def _parcels_of(db: Connection, ids: list[int]) -> Sequence[Row]:
    return _many(db, select(parcels).where(parcels.c.id.in_(ids)).order_by(parcels.c.id))


def _other_orders(db: Connection, customer_id: int, order_id: int) -> int:
    others = (orders.c.customer_id == customer_id) & (orders.c.id != order_id)
    found: int = db.execute(select(func.count()).select_from(orders).where(others)).scalar_one()
    return found


def _of_order(db: Connection, table: Any, order_id: int, at: str) -> Sequence[Row]:
    """A table's rows of an order, newest first."""
    query = select(table).where(table.c.order_id == order_id)
    return db.execute(query.order_by(table.c[at].desc(), table.c.id.desc())).mappings().all()


def log_of_pieces(
    db: Connection, model_ids: Sequence[int], copy_ids: Sequence[int]
) -> list[tuple[Ref, Entry]]:
    """The logs of some pieces together, in the order in which they were written."""
    rows = db.execute(
        select(transitions)
        .where(or_(transitions.c.model_id.in_(model_ids), transitions.c.copy_id.in_(copy_ids)))
        .order_by(transitions.c.id)
    ).mappings()
    return [
        (
            Ref(Of.MODEL, row["model_id"])
            if row["copy_id"] is None
            else Ref(Of.COPY, row["copy_id"]),
            entry_of_row(row),
        )
        for row in rows
    ]


def names(db: Connection) -> dict[int, str]:
    """Everybody of the staff, by account."""
    return {row.id: row.name for row in db.execute(select(accounts.c.id, accounts.c.name))}
