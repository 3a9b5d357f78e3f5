"""Who is here, what stands in the way of erasing them, and how much there is of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, select

from app import tables as t
from app.shared.places import DataFolder
from app.shared.web.words import count, listed
from app.upkeep.kept.rows import Theirs, theirs

_COUNTED = (
    (t.orders, "orders", "order"),
    (t.animals, "customer_id", "animal"),
    (t.pictures, "order_id", "photo"),
    (t.letters, "order_id", "email"),
    (t.contacts, "customer_id", "conversation"),
)


@dataclass(frozen=True, slots=True)
class KeptPerson:
    """Somebody's record."""

    id: int
    name: str
    made_at: int
    erased_at: int | None


def person(db: Connection, customer_id: int) -> KeptPerson | None:
    """A person by their own record; None where it is not here or was joined into another."""
    c = t.customers.c
    query = select(c.id, c.name, c.made_at, c.erased_at)
    row = db.execute(query.where(c.id == customer_id, c.joined_into_id.is_(None))).first()
    return KeptPerson(*row) if row is not None else None


def unsettled(db: Connection, customer_id: int) -> list[str]:
    """What has to be settled before a person can be erased, in sentences."""
    whose = theirs(customer_id)
    its = whose.of
    here = select(t.orders.c.number).where(whose.by["orders"])
    lent = here.join(t.belongings, t.belongings.c.order_id == t.orders.c.id).where(
        t.belongings.c.returned_at.is_(None), t.belongings.c.gone_at.is_(None)
    )
    cases = here.join(t.aftercare_cases, t.aftercare_cases.c.order_id == t.orders.c.id).where(
        t.aftercare_cases.c.closed_at.is_(None)
    )
    waits = t.waiting_list.c
    listed_ = here.join(t.waiting_list, waits.order_id == t.orders.c.id).where(
        waits.began_at.is_(None), waits.off_at.is_(None)
    )
    said = []
    erased = select(t.customers.c.erased_at).where(t.customers.c.id == customer_id)
    if db.execute(erased).scalar() is not None:
        said.append("This person has been erased already.")
    if found := _numbers(db, here.where(t.orders.c.open == 1)):
        said.append(f"{found} still open. Finish or cancel first.")
    if found := _numbers(db, listed_):
        said.append(f"{found} on the waiting list. Strike it off first.")
    if found := _numbers(db, lent):
        said.append(f"Something they lent us is still here: {found} waiting for its return.")
    if found := _numbers(db, cases):
        said.append(f"{found} not settled after sending. Close the case first.")
    sending = select(func.count()).select_from(t.letters).where(its(t.letters, "order_id"))
    if db.execute(sending.where(t.letters.c.state == "sending")).scalar_one():
        said.append("An email to them is being sent right now. Try again in a few minutes.")
    return said


def _numbers(db: Connection, query: Any) -> str:
    found = [str(number) for number in db.execute(query.distinct()).scalars()]
    if not found:
        return ""
    return f"Order {found[0]} is" if len(found) == 1 else f"Orders {listed(found)} are"


def amounts(db: Connection, customer_id: int) -> Sequence[str]:
    """How much there is of a person, in words: "two orders", "one animal"."""
    whose = theirs(customer_id)
    return [
        count(many, what) for table, column, what in _COUNTED
        if (many := _many(db, whose, table, column))
    ]  # fmt: skip


def _many(db: Connection, whose: Theirs, table: Any, column: str) -> int:
    query = select(func.count()).select_from(table).where(whose.of(table, column))
    return int(db.execute(query).scalar_one())


def letters_of(db: Connection, customer_id: int) -> Sequence[int]:
    """The letters to a person, the oldest first."""
    its = theirs(customer_id).of(t.letters, "order_id")
    query = select(t.letters.c.id).where(its).order_by(t.letters.c.id)
    return db.execute(query).scalars().all()


def copies_elsewhere(folder: DataFolder) -> list[str]:
    """What an update or a restore has put aside and nobody has cleared away, by name."""
    own = folder.path.resolve()
    packed = own.glob(f"{folder.database_file.stem}-before-*.gz")
    return sorted(map(str, (*packed, *own.parent.glob(f"{own.name}-before-restore-*"))))


def history(db: Connection) -> Sequence[Any]:
    """What has gone, the newest first."""
    c = t.let_go.c
    query = select(t.let_go, t.accounts.c.name).join(
        t.accounts, t.accounts.c.id == c.account_id, isouter=True
    )
    return db.execute(query.order_by(c.id.desc()).limit(50)).all()
