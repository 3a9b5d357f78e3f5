"""Lists: open orders, what waits for customers, customers, animals."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, bindparam, func, literal_column, select, text
from sqlalchemy.engine import RowMapping

from app.flow.after.belongings import IN_THE_HOUSE, NAMED
from app.flow.after.cases import MENDS, SUPERSEDED
from app.orders.entry.store import like
from app.orders.lists.sifting import Sifting
from app.shared.errors import NotFound
from app.shared.text import fold
from app.tables import (
    accounts,
    animals,
    belongings,
    changes,
    contacts,
    copies,
    copy_companions,
    customer_mails,
    customers,
    marks,
    models,
    order_animals,
    orders,
    past_pieces,
)

PAGE = 50
Rows = Sequence[RowMapping]


def _many(db: Connection, query: Any, values: dict[str, Any] | None = None) -> Rows:
    return db.execute(query, values or {}).mappings().all()


# Its animals, and how many copies of them: what goes on in the place of one is no further copy.
_OF_WHOM = f"""
  (SELECT group_concat(a.name, ', ') FROM order_animals oa JOIN animals a ON a.id = oa.animal_id
    WHERE oa.order_id = o.id) AS animals,
  (SELECT count(*) FROM copies k WHERE k.order_id = o.id AND k.withdrawn = 0
    AND k.step <> 'replaced' AND k.id NOT IN ({SUPERSEDED})) AS copies"""  # noqa: S608
_ORDERS = f"""
SELECT o.id, o.number, o.gift, o.needed_by, o.taken_at, o.open, o.shop_reference, c.name,
  (SELECT began_at IS NULL AND off_at IS NULL FROM waiting_list WHERE order_id = o.id) AS listed,
  {_OF_WHOM}
FROM orders o JOIN customers c ON c.id = o.customer_id
"""  # noqa: S608


# Late is what was told too early, or no longer holds: to_tell looks at the same more closely.
_LATEST = "(SELECT id FROM tellings WHERE order_id = o.id ORDER BY at DESC, id DESC LIMIT 1)"
_HERE = (
    "EXISTS (SELECT 1 FROM copies k WHERE k.order_id = o.id AND k.open = 1"
    " AND k.step <> 'handed_over')"
)
_LATE = f"((t.to_day < :today OR t.write_by IS NOT NULL OR f.later_since IS NOT NULL) AND {_HERE})"
_HELD_NOW = """(SELECT hold_whose FROM copies WHERE order_id = o.id AND open = 1
      AND hold_whose <> ''
    UNION ALL SELECT hold_whose FROM models WHERE order_id = o.id AND open = 1 AND hold_whose <> ''
    LIMIT 1)"""
_LISTED = f"""
SELECT o.id, o.number, o.gift, o.needed_by, o.taken_at, o.open, o.shop_reference, o.paid, c.name,
  {_OF_WHOM},
  (SELECT group_concat(DISTINCT step) FROM (SELECT m.step FROM order_animals oa
      JOIN models m ON m.id = oa.model_id WHERE oa.order_id = o.id AND m.open = 1
    UNION SELECT k.step FROM copies k WHERE k.order_id = o.id AND k.open = 1)) AS steps,
  t.from_day, t.to_day, t.write_by, {_LATE} AS late, {_HELD_NOW} AS held
FROM orders o JOIN customers c ON c.id = o.customer_id
  LEFT JOIN tellings t ON t.id = {_LATEST} LEFT JOIN forecasts f ON f.order_id = o.id
"""  # noqa: S608
_AT_RISK = "o.id IN (SELECT value FROM json_each(:risk))"
_SHOWS = {
    "all": "1", "late": _LATE, "past": f"t.to_day < :today AND {_HERE}",
    "needed": "o.needed_by IS NOT NULL",
    "risk": f"o.needed_by IS NOT NULL AND {_HERE} AND {_AT_RISK}",
    "unpaid": "o.paid <> 'all'", "held": f"{_HELD_NOW} IS NOT NULL", "gift": "o.gift = 1",
}  # fmt: skip
_SORTS = {
    "number": "o.number", "needed": "o.needed_by IS NULL, o.needed_by, o.number",
    "ready": "t.to_day IS NULL, t.to_day, o.number", "name": "c.name_key, o.number",
}  # fmt: skip
# What is on the waiting list has a page of its own.
_BEGUN = (
    " AND o.id NOT IN (SELECT order_id FROM waiting_list WHERE began_at IS NULL AND off_at IS NULL)"
)
_LISTS = {
    (closed, show, sort): text(
        f"{_LISTED} WHERE o.open = {int(not closed)} AND {where}{_BEGUN if closed else ''}"
        f" ORDER BY {'o.number DESC' if closed and sort == 'number' else order}"
        " LIMIT :most OFFSET :skip"
    )
    for closed in (False, True)
    for show, where in _SHOWS.items()
    for sort, order in _SORTS.items()
}


def order_list(
    db: Connection, asked: Sifting, today: str, at_risk: Sequence[int] = (), *, every: bool = False
) -> Rows:
    """A page of open orders, or of closed ones (newest first, if by number), and one row more where
    there are more; or `every` one of them.

    `at_risk` are the orders that may miss the day they are needed by.
    """
    query = _LISTS[asked.closed, asked.show, asked.sort]
    most = -1 if every else PAGE + 1
    values = {"most": most, "skip": asked.page * PAGE, "today": today}
    values["risk"] = json.dumps(list(at_risk))
    return _many(db, query, values)


def orders_of(db: Connection, customer_id: int) -> Rows:
    """A customer's orders, newest first."""
    query = text(f"{_ORDERS} WHERE o.customer_id = :customer ORDER BY o.number DESC")
    return _many(db, query, {"customer": customer_id})


# How the customer is reached, and when they last heard from a person or by a letter.
_REACHED = """o.id AS order_id, o.number, c.name AS customer, c.phone,
  (SELECT w.at FROM contacts w WHERE w.customer_id = c.id ORDER BY w.at DESC, w.id DESC LIMIT 1)
    AS spoken_at,
  (SELECT w.channel FROM contacts w WHERE w.customer_id = c.id ORDER BY w.at DESC, w.id DESC
    LIMIT 1) AS spoken_by,
  (SELECT max(l.sent_at) FROM letters l WHERE l.order_id = o.id AND l.state = 'sent')
    AS written_at"""
_PHOTOS = text(
    f"""
SELECT m.id, m.letter, m.entered_at, m.told_at, m.attempts, m.hold_whose, m.hold_reason,
  m.hold_look_on, a.name AS animal, a.life, {_REACHED}
FROM models m JOIN orders o ON o.id = m.order_id JOIN customers c ON c.id = o.customer_id
  JOIN animals a ON a.id = m.animal_id
WHERE m.step = 'photos_wanted' AND m.open = 1 ORDER BY m.entered_at
"""  # noqa: S608
)
_QUESTIONS = text(
    f"""
SELECT q.id, q.topic, q.asked, q.asked_at, q.blocking, q.overridden_at, q.channel, q.until_paid,
  q.round,
  {_REACHED},
  (SELECT group_concat(a.name, ', ') FROM order_animals oa JOIN animals a ON a.id = oa.animal_id
    WHERE oa.order_id = o.id) AS animals
FROM questions q JOIN orders o ON o.id = q.order_id JOIN customers c ON c.id = o.customer_id
WHERE q.answered_at IS NULL AND o.open = 1 AND (q.round IS NULL OR q.asked <> '')
ORDER BY q.asked_at
"""  # noqa: S608
)
_HELD = text(
    f"""
SELECT 'copy' AS of, k.id, k.letter || k.number AS code, k.hold_reason, k.hold_look_on, k.last_at,
  {_REACHED}
FROM copies k JOIN orders o ON o.id = k.order_id JOIN customers c ON c.id = o.customer_id
WHERE k.open = 1 AND k.hold_whose = 'customer'
UNION ALL
SELECT 'model', m.id, m.letter, m.hold_reason, m.hold_look_on, m.last_at, {_REACHED}
FROM models m JOIN orders o ON o.id = m.order_id JOIN customers c ON c.id = o.customer_id
WHERE m.open = 1 AND m.hold_whose = 'customer' AND m.step <> 'photos_wanted' ORDER BY 6
"""  # noqa: S608
)
_SILENT = text(
    f"""
SELECT max(n.at) AS last_news, o.taken_at, {_REACHED}
FROM orders o JOIN customers c ON c.id = o.customer_id
  LEFT JOIN news n ON n.order_id = o.id AND n.taken_back_at IS NULL
WHERE o.open = 1
GROUP BY o.id HAVING max(coalesce(max(n.at), o.taken_at),
  coalesce((SELECT max(w.at) FROM contacts w WHERE w.order_id = o.id), 0)) < :before ORDER BY 1, 2
"""  # noqa: S608
)


def photos_wanted(db: Connection) -> Rows:
    """Animals whose photos are wanted, longest first."""
    return _many(db, _PHOTOS)


def open_questions(db: Connection) -> Rows:
    """Questions that the customer has not answered, oldest first."""
    return _many(db, _QUESTIONS)


def held_by_customers(db: Connection) -> Rows:
    """Pieces on hold on the customer's account."""
    return _many(db, _HELD)


def silent(db: Connection, before: int) -> Rows:
    """Open orders whose customers have heard nothing since a moment."""
    return _many(db, _SILENT, {"before": before})


def customer_list(db: Connection, typed: str, page: int) -> Rows:
    """Customers by name, those whose name begins like what was typed where something was."""
    query = (
        select(
            customers.c.id,
            customers.c.name,
            customers.c.phone,
            select(func.count())
            .select_from(orders)
            .where(orders.c.customer_id == customers.c.id)
            .scalar_subquery()
            .label("orders"),
        )
        .where(customers.c.joined_into_id.is_(None), customers.c.erased_at.is_(None))
        .order_by(customers.c.name_key)
        .limit(PAGE + 1)
        .offset(page * PAGE)
    )
    if typed:
        key = like(fold(typed))
        query = query.where(
            customers.c.name_key.like(key, escape="\\")
            | customers.c.name_key.like(f"% {key}", escape="\\")
        )
    return _many(db, query)


_PARTS = """
SELECT p.id, p.kind, p.what, p.supplier, p.due_on, p.before_step, p.overridden_at, o.number,
  c.name AS customer, k.letter, k.number AS copy
FROM parts p JOIN orders o ON o.id = p.order_id JOIN customers c ON c.id = o.customer_id
LEFT JOIN copies k ON k.id = p.copy_id
WHERE o.open = 1 AND p.here_at IS NULL AND p.gone_at IS NULL
ORDER BY p.due_on IS NULL, p.due_on, p.id
"""


def parts_to_come(db: Connection) -> Rows:
    """The parts of open orders that are not here yet, the first due first."""
    return _many(db, text(_PARTS))


def belongings_here(db: Connection) -> Rows:
    """Everything of customers' that is in the house, the longest here first."""
    query = (
        NAMED.add_columns(
            orders.c.number, orders.c.customer_id, customers.c.name.label("customer"),
            accounts.c.name.label("received_by"),
        )
        .join(orders, orders.c.id == belongings.c.order_id)
        .join(customers, customers.c.id == orders.c.customer_id)
        .outerjoin(accounts, accounts.c.id == belongings.c.received_by_id)
        .where(IN_THE_HOUSE)
        .order_by(belongings.c.received_at, belongings.c.id)
    )  # fmt: skip
    return _many(db, query)


def one_customer(db: Connection, customer_id: int) -> dict[str, Any]:
    """A customer with mails, animals and contacts. Raises NotFound."""
    row = db.execute(select(customers).where(customers.c.id == customer_id)).mappings().first()
    if row is None:
        raise NotFound("There is no such customer.")

    def own(table: Any, order: Any) -> Rows:
        return _many(db, select(table).where(table.c.customer_id == customer_id).order_by(order))

    return {
        "customer": row,
        "mails": own(customer_mails, customer_mails.c.receives.desc()),
        "animals": own(animals, animals.c.name),
        "contacts": own(contacts, contacts.c.at.desc()),
        "orders": orders_of(db, customer_id),
        "before": _many(
            db,
            select(past_pieces, animals.c.name)
            .join(animals, animals.c.id == past_pieces.c.animal_id)
            .where(past_pieces.c.customer_id == customer_id)
            .order_by(past_pieces.c.started_at.desc())
            .limit(PAGE),
        ),
    }


def one_animal(db: Connection, animal_id: int) -> dict[str, Any]:
    """An animal with its marks, models and copies. Raises NotFound."""
    row = db.execute(select(animals).where(animals.c.id == animal_id)).mappings().first()
    if row is None:
        raise NotFound("There is no such animal.")
    own_models = select(models.c.id).where(models.c.animal_id == animal_id)
    beside = select(copy_companions.c.copy_id).where(copy_companions.c.model_id.in_(own_models))
    return {
        "animal": row,
        "customer": db.execute(select(customers).where(customers.c.id == row["customer_id"]))
        .mappings()
        .one(),
        "marks": _many(
            db, select(marks).where(marks.c.animal_id == animal_id, marks.c.gone_at.is_(None))
        ),
        "models": _many(
            db,
            select(models, orders.c.number.label("order_number"))
            .join(orders, orders.c.id == models.c.order_id)
            .where(models.c.animal_id == animal_id)
            .order_by(models.c.id),
        ),
        "copies": _many(
            db,
            select(
                copies,
                orders.c.number.label("order_number"),
                literal_column(MENDS.format("copies")).label("mends"),
            )
            .join(orders, orders.c.id == copies.c.order_id)
            .where(
                copies.c.model_id.in_(own_models) | copies.c.id.in_(beside), copies.c.withdrawn == 0
            )
            .order_by(copies.c.id),
        ),
        "orders": list(
            db.execute(
                select(order_animals.c.order_id).where(order_animals.c.animal_id == animal_id)
            ).scalars()
        ),
        "changes": changed(db, of_animal(animal_id)),
    }


def of_animal(animal_id: int) -> ColumnElement[bool]:
    """The notes of change of an animal and of its marks."""
    own = select(marks.c.id).where(marks.c.animal_id == animal_id)
    itself = (changes.c.of == "animals") & (changes.c.of_id == animal_id)
    return itself | ((changes.c.of == "marks") & changes.c.of_id.in_(own))


def changed(db: Connection, only: ColumnElement[bool]) -> list[Mapping[Any, Any]]:
    """Some notes of change as pages tell them, newest first."""
    of_mark = (changes.c.of == "marks") & (marks.c.id == changes.c.of_id)
    query = select(changes, marks.c.what).outerjoin(marks, of_mark).where(only)
    rows = _many(db, query.order_by(changes.c.at.desc(), changes.c.id.desc()))
    return [_told(row) for row in rows]


_OF_MARK = {
    "what": "marking", "place": "where {} is", "side": "side of {}", "must": "{} must match",
}  # fmt: skip


def _told(row: RowMapping) -> Mapping[Any, Any]:
    """A note of change in words: what is a mark's names the mark."""
    if row["of"] != "marks":
        return row
    if row["field"] == "gone_at":
        return {**row, "field": "marking", "before": row["what"], "after": ""}
    words = {"not_asked": "not asked", "none": "no side"}
    if row["field"] == "must":
        words = {"0": "no", "1": "yes"}
    said = {name: words.get(row[name], row[name]) for name in ("before", "after")}
    return {**row, **said, "field": _OF_MARK[row["field"]].format(row["what"])}


def orders_by_id(db: Connection, ids: Sequence[int]) -> Rows:
    """Some orders, in the order of their ids as given."""
    if not ids:
        return []
    query = text(f"{_ORDERS} WHERE o.id IN :ids").bindparams(bindparam("ids", expanding=True))
    rows = {row["id"]: row for row in _many(db, query, {"ids": list(ids)})}
    return [rows[i] for i in ids if i in rows]
