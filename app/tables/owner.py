"""What the owner decides by: chances day by day, who is away, what was asked of the floor."""

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import SQLModel

from app.tables import columns as col


class ChanceOfADay(SQLModel, table=True):
    """The chance, in thousandths, that an order is there by the day it is needed, as first worked
    out on a day; `needed_by` is the day it was then needed by."""

    __tablename__ = "chances"
    __table_args__ = (
        UniqueConstraint("order_id", "day"),
        CheckConstraint("thousandths BETWEEN 0 AND 1000", name="a_share"),
        col.STRICT,
    )

    id: int | None = col.key()
    order_id: int = col.to("orders.id")
    day: str = col.text(None)
    needed_by: str = col.text(None)
    thousandths: int = col.whole(None)


class Absence(SQLModel, table=True):
    """Whole days on which a person is away or a machine is out of use, both ends included."""

    __tablename__ = "absences"
    __table_args__ = (
        CheckConstraint("(account_id IS NULL) <> (machine_id IS NULL)", name="of_one"),
        CheckConstraint("first_day <= last_day", name="forwards"),
        col.STRICT,
    )

    id: int | None = col.key()
    account_id: int | None = col.to_or_none("accounts.id")
    machine_id: int | None = col.to_or_none("machines.id")
    first_day: str = col.text(None)
    last_day: str = col.text(None)
    made_at: int = col.whole(None)
    made_by_id: int | None = col.to_or_none("accounts.id")
    taken_back_at: int | None = col.moment_or_none()


class WhatIf(SQLModel, table=True):
    """A question to the simulation and its answer. `settings` is what would change, as JSON;
    `found` the answer, as JSON; `why` says in words why there is none. Without `account_id` it was
    asked by the house itself, overnight. `made_on` is the day on which the change was made.
    """

    __tablename__ = "what_ifs"
    __table_args__ = (
        col.one_of("state", "waiting", "done", "failed"),
        CheckConstraint("name <> ''", name="named"),
        col.STRICT,
    )

    id: int | None = col.key()
    name: str = col.text(None)
    settings: str = col.text("[]")
    state: str = col.text("waiting")
    found: str = col.text()
    why: str = col.text()
    asked_at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    done_at: int | None = col.moment_or_none()
    made_on: str | None = col.text_or_none()
    dropped_at: int | None = col.moment_or_none()
