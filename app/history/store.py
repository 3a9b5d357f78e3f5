"""What bringing in a sheet has to know of the house, and the rows that it writes."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, select, text
from sqlalchemy.sql.schema import ScalarElementColumnDefault

from app.tables import imports

_CUSTOMERS = text("SELECT id, name, name_key FROM customers WHERE joined_into_id IS NULL")
_MAILS = text(
    "SELECT m.mail_key, coalesce(c.joined_into_id, c.id) AS id FROM customer_mails m"
    " JOIN customers c ON c.id = m.customer_id"
)
_ANIMALS = text("SELECT id, customer_id, name, name_key FROM animals")
_KNOWN = text(
    "SELECT c.name_key AS customer, a.name_key AS animal, p.started_at AS at FROM past_pieces p"
    " JOIN customers c ON c.id = p.customer_id JOIN animals a ON a.id = p.animal_id"
    " UNION SELECT c.name_key, a.name_key, o.taken_at FROM orders o"
    " JOIN customers c ON c.id = o.customer_id JOIN order_animals oa ON oa.order_id = o.id"
    " JOIN animals a ON a.id = oa.animal_id"
)
_NEXT = "SELECT coalesce(max(id), 0) + 1 FROM {}"
_MARK_ORDERS = text(
    "UPDATE orders SET import_id = :id WHERE id IN (SELECT value FROM json_each(:orders))"
)
# What has happened since to what came with an import: each stops it from being taken back.
_MOVED = text(
    "SELECT 1 FROM transitions t LEFT JOIN copies c ON c.id = t.copy_id"
    " LEFT JOIN models m ON m.id = t.model_id JOIN orders o ON o.id = coalesce(c.order_id,"
    " m.order_id) WHERE o.import_id = :id AND t.time_is <> 'imported' LIMIT 1"
)
_EDITED = text(
    "SELECT 1 FROM changes h WHERE (h.\"of\" = 'customers' AND h.of_id IN"
    " (SELECT id FROM customers WHERE import_id = :id)) OR (h.\"of\" = 'animals' AND h.of_id IN"
    " (SELECT id FROM animals WHERE import_id = :id)) OR h.order_id IN"
    " (SELECT id FROM orders WHERE import_id = :id) LIMIT 1"
)
# In this order: what names another row goes before it. Whatever else names one of these rows was
# built on it, and the database refuses.
_GONE = tuple(
    text(f"DELETE FROM {table} WHERE {which}")  # noqa: S608
    for table, which in (
        ("past_pieces", "import_id = :id"),
        ("transitions", "copy_id IN (SELECT c.id FROM copies c JOIN orders o ON o.id = c.order_id"
                        " WHERE o.import_id = :id)"),
        ("transitions", "model_id IN (SELECT m.id FROM models m JOIN orders o ON o.id = m.order_id"
                        " WHERE o.import_id = :id)"),
        *((table, "order_id IN (SELECT id FROM orders WHERE import_id = :id)")
          for table in ("copies", "order_animals", "models", "forecasts", "chances",
                        "status_links", "status_pages")),
        ("orders", "import_id = :id"),
        ("marks", "animal_id IN (SELECT id FROM animals WHERE import_id = :id)"),
        ("animals", "import_id = :id"),
        ("customer_mails", "customer_id IN (SELECT id FROM customers WHERE import_id = :id)"),
        ("customers", "import_id = :id"),
    )
)  # fmt: skip


def customers(db: Connection) -> Sequence[Any]:
    """All customers: id, name, folded name."""
    return db.execute(_CUSTOMERS).all()


def mails(db: Connection) -> dict[str, int]:
    """Customers by their addresses."""
    return {row.mail_key: row.id for row in db.execute(_MAILS)}


def animals_of(db: Connection) -> dict[tuple[int, str], tuple[int, str]]:
    """By customer and folded name, each animal's id and name."""
    return {(r.customer_id, r.name_key): (r.id, r.name) for r in db.execute(_ANIMALS)}


def known_orders(db: Connection) -> Sequence[Any]:
    """Folded names of customer and animal, and the moment, of every order in the house."""
    return db.execute(_KNOWN).all()


def next_id(db: Connection, table: str) -> int:
    """The id that a table's next row gets."""
    found: int = db.exec_driver_sql(_NEXT.format(table)).scalar_one()
    return found


def add_rows(db: Connection, table: Table, names: str, rows: Sequence[tuple[Any, ...]]) -> None:
    """Add many rows at once. `names` are the columns that they give; the rest as it is by default.

    Straight to the driver: with thousands of rows, reading each as a statement's parameters costs
    more than writing it.
    """
    if rows:
        given = names.split()
        usual = [(c.name, c.default) for c in table.c if c.name not in given]
        rest = {name: d.arg for name, d in usual if isinstance(d, ScalarElementColumnDefault)}
        columns = ", ".join((*given, *rest))
        marks = ", ".join("?" * (len(given) + len(rest)))
        beside = tuple(rest.values())
        db.exec_driver_sql(
            f"INSERT INTO {table.name} ({columns}) VALUES ({marks})",  # noqa: S608
            [row + beside for row in rows],
        )


def choices_before(db: Connection) -> list[Mapping[str, Any]]:
    """How earlier files were read, the newest first."""
    query = select(imports.c.choices).order_by(imports.c.id.desc()).limit(20)
    return [json.loads(kept) for kept in db.execute(query).scalars()]


def import_of(db: Connection, import_id: int) -> Any:
    """A file that was brought in, or None."""
    return db.execute(select(imports).where(imports.c.id == import_id)).first()


def brought_in(db: Connection) -> Sequence[Any]:
    """The files that were brought in, the newest first."""
    return db.execute(select(imports).order_by(imports.c.id.desc())).all()


def touched(db: Connection, import_id: int) -> str:
    """What was done since with what came with an import, in words; "" for nothing."""
    if db.execute(_MOVED, {"id": import_id}).first() is not None:
        return "a piece of it has moved"
    if db.execute(_EDITED, {"id": import_id}).first() is not None:
        return "something of it was edited"
    return ""


def remove(db: Connection, import_id: int) -> None:
    """Take out everything that came with an import. Raises IntegrityError where another row names
    one of these."""
    for statement in _GONE:
        db.execute(statement, {"id": import_id})


def mark_orders(db: Connection, import_id: int, orders: Iterable[int]) -> None:
    """Say of some orders that they came with an import."""
    db.execute(_MARK_ORDERS, {"id": import_id, "orders": json.dumps(list(orders))})
