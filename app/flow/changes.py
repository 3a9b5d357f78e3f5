"""The notes of change: who changed which field of what, what it said before and says now."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, insert, select, update

from app.shared.errors import NotFound
from app.shared.people import Person
from app.tables import changes


def note(
    db: Connection,
    by: int | None,
    at: int,
    of: str,
    field: str,
    before: object = None,
    after: object = None,
    *,
    of_id: int = 0,
    order_id: int | None = None,
) -> None:
    """Keep that a field of a row changed; `of` is the table, `by` an account."""
    said = {"before": before, "after": after}
    db.execute(
        insert(changes).values(
            at=at,
            account_id=by,
            of=of,
            of_id=of_id,
            order_id=order_id,
            field=field,
            **{name: None if value is None else str(value) for name, value in said.items()},
        )
    )


def change_in(
    db: Connection,
    table: Table,
    row_id: int,
    order_id: int | None,
    new: Mapping[str, Any],
    who: Person,
    now: int,
) -> None:
    """Change fields of a row inside an open transaction; what does not differ is left alone."""
    row = db.execute(select(table).where(table.c.id == row_id)).mappings().first()
    if row is None:
        raise NotFound("What you changed is no longer here. Load the page again.")
    differs = {name: value for name, value in new.items() if row[name] != value}
    if not differs:
        return
    db.execute(update(table).where(table.c.id == row_id).values(**differs))
    for name, value in differs.items():
        note(
            db, who.account_id, now, table.name, name, row[name], value,
            of_id=row_id, order_id=order_id,
        )  # fmt: skip
