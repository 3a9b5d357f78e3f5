"""Absences in the tables."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection, insert, select, update

from app.owner.away.rules import Away
from app.tables import absences, accounts, machines


def standing(db: Connection) -> list[Away]:
    """Absences that were not taken back, the first to begin first."""
    query = (
        select(absences, accounts.c.name.label("person"), machines.c.name.label("machine"))
        .outerjoin(accounts, accounts.c.id == absences.c.account_id)
        .outerjoin(machines, machines.c.id == absences.c.machine_id)
        .where(absences.c.taken_back_at.is_(None))
        .order_by(absences.c.first_day, absences.c.id)
    )
    return [
        Away(
            row.id, row.account_id, row.machine_id, row.person or row.machine,
            date.fromisoformat(row.first_day), date.fromisoformat(row.last_day),
        )
        for row in db.execute(query)
    ]  # fmt: skip


def people(db: Connection) -> Sequence[Any]:
    """Everybody who works here, by name."""
    query = select(accounts.c.id, accounts.c.name).where(accounts.c.off_at.is_(None))
    return db.execute(query.order_by(accounts.c.name_key)).all()


def in_use(db: Connection) -> Sequence[Any]:
    """Every machine in use, by name, with its places and what it makes (None for builds)."""
    c = machines.c
    query = select(c.id, c.name, c.places, c.makes).where(c.off_at.is_(None))
    return db.execute(query.order_by(c.name_key)).all()


def overlapping(
    db: Connection, account_id: int | None, machine_id: int | None, first: date, last: date
) -> Any | None:
    """A standing absence of the same person or machine that shares a day with a span."""
    a = absences.c
    query = select(a.first_day, a.last_day).where(
        a.taken_back_at.is_(None),
        a.account_id == account_id if machine_id is None else a.machine_id == machine_id,
        a.first_day <= last.isoformat(),
        a.last_day >= first.isoformat(),
    )
    return db.execute(query.limit(1)).first()


def add(
    db: Connection, account_id: int | None, machine_id: int | None, first: date, last: date,
    by: int | None, now: int,
) -> None:  # fmt: skip
    """Keep an absence."""
    db.execute(
        insert(absences).values(
            account_id=account_id, machine_id=machine_id, first_day=first.isoformat(),
            last_day=last.isoformat(), made_at=now, made_by_id=by,
        )
    )  # fmt: skip


def take_back(db: Connection, id_: int, now: int) -> bool:
    """Strike an absence; whether there was one."""
    mine = (absences.c.id == id_) & absences.c.taken_back_at.is_(None)
    return db.execute(update(absences).where(mine).values(taken_back_at=now)).rowcount > 0
