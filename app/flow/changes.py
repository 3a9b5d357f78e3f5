"""The notes of change: who changed which field of what, what it said before and says now."""

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Table, func, insert, select, update

from app.flow import news_rows
from app.flow.news import ADDED, CHANGED, ON_ONE_BASE
from app.shared.errors import NotFound
from app.shared.people import Person
from app.tables import changes, news

US = "us"
# What of an order its customer may be told of: of the address, only that it is another.
_TOLD_OF: Mapping[str, Collection[str]] = {
    "orders": ("needed_by", "ship_name", "ship_lines", "ship_postcode", "ship_country"),
    "copies": (
        "size_mm", "measured", "pose", "base", "finish", "extras", "inscription", ADDED,
        ON_ONE_BASE,
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class AskedBy:
    """Who asked for a change: the customer `by` a channel, or US; and whether they are told what
    changed."""

    by: str
    tell: bool = False


@contextmanager
def telling(db: Connection, order_ids: Collection[int], now: int) -> Iterator[None]:
    """What is changed inside, and is to be told, is news from its first change on; before the first
    letter has gone there is nothing to tell, for that one says it all."""
    before = db.execute(select(func.coalesce(func.max(changes.c.id), 0))).scalar_one()
    yield
    c = changes.c
    new = (c.id > before) & c.order_id.in_(order_ids) & (c.tell == 1)
    query = select(c.order_id, func.min(c.id)).where(new).group_by(c.order_id)
    for order_id, first in db.execute(query).all():
        heard = (news.c.kind == "order_in") & news.c.told_at.is_not(None)
        its = select(news.c.id).where(news.c.order_id == order_id, heard)
        if db.execute(its).first() is not None:
            news_rows.write(db, order_id, CHANGED, now, round_=first)


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
    asked: AskedBy | None = None,
) -> None:
    """Keep that a field of a row changed; `of` is the table, `by` an account."""
    said = {"before": before, "after": after}
    tell = asked is not None and asked.tell and field in _TOLD_OF.get(of, ())
    db.execute(
        insert(changes).values(
            at=at,
            account_id=by,
            of=of,
            of_id=of_id,
            order_id=order_id,
            field=field,
            asked_by=asked.by if asked is not None else None,
            tell=1 if tell else None,
            **{name: None if value is None else str(value) for name, value in said.items()},
        )
    )


def add_in(
    db: Connection,
    table: Table,
    order_id: int | None,
    values: Mapping[str, Any],
    named_by: str,
    who: Person,
    now: int,
    asked: AskedBy | None = None,
) -> None:
    """Add a row inside an open transaction; noted is the field that says what it is."""
    made = db.execute(insert(table).values(**values)).inserted_primary_key
    assert made is not None
    note(
        db, who.account_id, now, table.name, named_by, None, values[named_by],
        of_id=int(made[0]), order_id=order_id, asked=asked,
    )  # fmt: skip


def change_in(
    db: Connection,
    table: Table,
    row_id: int,
    order_id: int | None,
    new: Mapping[str, Any],
    who: Person,
    now: int,
    asked: AskedBy | None = None,
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
            of_id=row_id, order_id=order_id, asked=asked,
        )  # fmt: skip
