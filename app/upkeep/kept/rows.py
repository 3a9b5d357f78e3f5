"""Whose a row is: the rows of people, of their orders, animals and pieces, in one place."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, Table, and_, or_, select, union

from app import tables as t

Ids = Select[Any]
_WORDS_OF = ("customers", "animals", "marks")


@dataclass(frozen=True, slots=True)
class Theirs:
    """The rows that belong to people, or to orders alone, by the column that says whose one is."""

    by: Mapping[str, ColumnElement[bool]]

    def of(self, table: Table, whose: str) -> ColumnElement[bool]:
        """Which rows of a table are theirs."""
        if whose in self.by:
            return self.by[whose]
        return table.c[whose].in_(_ids(whose, self.by["orders"], self.by.get("customer")))


def theirs_of_orders(orders: ColumnElement[bool]) -> Theirs:
    """All that hangs on some orders; nothing of the people themselves."""
    return Theirs({"orders": orders})


def theirs(customer_id: int) -> Theirs:
    """All that hangs on a person, with the records that were joined into theirs."""
    people = or_(t.customers.c.id == customer_id, t.customers.c.joined_into_id == customer_id)
    orders = t.orders.c.customer_id.in_(select(t.customers.c.id).where(people))
    return Theirs({
        "customer": people, "orders": orders, "piece": _entries(orders),
        "parcel": _parcels(orders), "change": _changes(orders, people),
    })  # fmt: skip


def _ids(whose: str, orders: ColumnElement[bool], people: ColumnElement[bool] | None) -> Any:
    """The ids that a column of this name holds where a row is theirs."""
    of_orders = select(t.orders.c.id).where(orders)
    by_order = {
        "delivery_id": t.photo_deliveries, "picture_id": t.pictures, "question_id": t.questions,
        "case_id": t.aftercare_cases, "copy_id": t.copies, "model_id": t.models,
    }  # fmt: skip
    if whose == "order_id":
        return of_orders
    if whose in by_order:
        table = by_order[whose]
        return select(table.c.id).where(table.c.order_id.in_(of_orders))
    if whose == "parcel_id":
        return select(t.parcels.c.id).where(_parcels(orders))
    assert people is not None
    of_people = select(t.customers.c.id).where(people)
    if whose == "customer_id":
        return of_people
    assert whose == "animal_id"
    return select(t.animals.c.id).where(t.animals.c.customer_id.in_(of_people))


def _entries(orders: ColumnElement[bool]) -> ColumnElement[bool]:
    log = t.transitions.c
    return or_(
        log.copy_id.in_(_ids("copy_id", orders, None)),
        log.model_id.in_(_ids("model_id", orders, None)),
    )


def _parcels(orders: ColumnElement[bool]) -> ColumnElement[bool]:
    """Parcels in which nothing lay that was somebody else's."""
    copies = t.copies.c
    in_them = select(t.packed_pieces.c.parcel_id, copies.order_id).join(
        t.copies, copies.id == t.packed_pieces.c.copy_id
    )
    lent = select(t.belongings.c.parcel_id, t.belongings.c.order_id)
    inside = union(select(copies.parcel_id, copies.order_id), in_them, lent).subquery()
    of_orders = select(t.orders.c.id).where(orders)
    with_theirs = select(inside.c.parcel_id).where(inside.c.order_id.in_(of_orders))
    with_others = select(inside.c.parcel_id).where(
        inside.c.parcel_id.is_not(None), inside.c.order_id.not_in(of_orders)
    )
    return and_(t.parcels.c.id.in_(with_theirs), t.parcels.c.id.not_in(with_others))


def _changes(orders: ColumnElement[bool], people: ColumnElement[bool]) -> ColumnElement[bool]:
    animals = _ids("animal_id", orders, people)
    marks = select(t.marks.c.id).where(t.marks.c.animal_id.in_(animals))
    found = dict(zip(_WORDS_OF, (_ids("customer_id", orders, people), animals, marks), strict=True))
    c = t.changes.c
    return or_(
        c.order_id.in_(_ids("order_id", orders, None)),
        *(and_(c.of == of, c.of_id.in_(ids)) for of, ids in found.items()),
    )
