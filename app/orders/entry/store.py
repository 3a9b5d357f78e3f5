"""What the entry of an order asks of the database: who is known, which animals they have."""

from dataclasses import dataclass

from sqlalchemy import Connection, RowMapping, false, func, or_, select

from app.shared.text import fold
from app.tables import animals, customer_mails, customers, models, orders

MOST_FOUND = 5
ADDRESS = ("ship_name", "ship_lines", "ship_postcode", "ship_country", "ship_phone")


@dataclass(frozen=True, slots=True)
class Known:
    """A customer who may be meant, with what helps to tell them apart."""

    id: int
    name: str
    address_as: str
    phone: str
    mail: str
    orders: int
    animals: str


@dataclass(frozen=True, slots=True)
class KnownAnimal:
    """An animal that was made before; `ready` where its model can be used again."""

    row: RowMapping
    ready: bool


def like(text_: str) -> str:
    """A piece of text as a LIKE pattern that finds it at a word's beginning; `\\` escapes."""
    safe = text_.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return f"{safe}%"


def find_customers(db: Connection, typed: str) -> list[Known]:
    """Customers whose name, mail or phone begins like what is being typed."""
    key = fold(typed)
    digits = "".join(sign for sign in typed if sign.isdigit())
    if len(key) < 2:
        return []
    named = or_(
        customers.c.name_key.like(like(key), escape="\\"),
        customers.c.name_key.like(f"% {like(key)}", escape="\\"),
        customers.c.id.in_(
            select(customer_mails.c.customer_id).where(
                customer_mails.c.mail_key.like(like(typed.strip().casefold()), escape="\\")
            )
        ),
        customers.c.phone_digits.like(f"%{digits}%") if len(digits) > 3 else false(),
    )
    query = (
        select(customers)
        .where(customers.c.joined_into_id.is_(None), named)
        .order_by(customers.c.name_key)
        .limit(MOST_FOUND)
    )
    return [_known(db, row) for row in db.execute(query)]


def by_mail(db: Connection, mail: str) -> Known | None:
    """The customer who has exactly this email address, or None."""
    query = (
        select(customers)
        .join(customer_mails, customer_mails.c.customer_id == customers.c.id)
        .where(
            customer_mails.c.mail_key == mail.casefold(),
            customer_mails.c.mail_key != "",
            customers.c.joined_into_id.is_(None),
        )
        .order_by(customers.c.id)
        .limit(1)
    )
    row = db.execute(query).first()
    return _known(db, row) if row is not None else None


def by_name(db: Connection, name: str) -> Known | None:
    """The customer who has exactly this name, or None; of several the one who ordered last."""
    last = select(func.max(orders.c.id)).where(orders.c.customer_id == customers.c.id)
    query = (
        select(customers)
        .where(customers.c.name_key == fold(name), customers.c.joined_into_id.is_(None))
        .order_by(last.scalar_subquery().desc(), customers.c.id)
        .limit(1)
    )
    row = db.execute(query).first()
    return _known(db, row) if row is not None else None


def customer(db: Connection, customer_id: int) -> Known | None:
    """One customer, or None."""
    row = db.execute(
        select(customers).where(
            customers.c.id == customer_id,
            customers.c.joined_into_id.is_(None),
            customers.c.erased_at.is_(None),
        )
    ).first()
    return _known(db, row) if row is not None else None


def _known(db: Connection, row: object) -> Known:
    id_: int = getattr(row, "id")  # noqa: B009  (a row's columns are not known to the checker)
    mail = db.execute(
        select(customer_mails.c.mail)
        .where(customer_mails.c.customer_id == id_)
        .order_by(customer_mails.c.receives.desc())
        .limit(1)
    ).scalar()
    count = db.execute(
        select(func.count()).select_from(orders).where(orders.c.customer_id == id_)
    ).scalar_one()
    names = db.execute(
        select(animals.c.name).where(animals.c.customer_id == id_).order_by(animals.c.id).limit(4)
    ).scalars()
    values = {name: getattr(row, name) for name in ("name", "address_as", "phone")}
    return Known(id=id_, mail=mail or "", orders=count, animals=", ".join(names), **values)


def animals_of(db: Connection, customer_id: int) -> list[KnownAnimal]:
    """The animals of a customer."""
    query = select(animals).where(animals.c.customer_id == customer_id).order_by(animals.c.id)
    return [_known_animal(db, row) for row in db.execute(query).mappings()]


def animal(db: Connection, animal_id: int) -> KnownAnimal | None:
    """One animal, or None."""
    row = db.execute(select(animals).where(animals.c.id == animal_id)).mappings().first()
    return _known_animal(db, row) if row is not None else None


def _known_animal(db: Connection, row: RowMapping) -> KnownAnimal:
    ready = db.execute(
        select(models.c.id)
        .where(models.c.animal_id == row["id"], models.c.step == "ready")
        .limit(1)
    ).first()
    return KnownAnimal(row, ready is not None)


def last_address(db: Connection, customer_id: int) -> dict[str, str]:
    """Where the customer's last order with an address goes or went; empty where none has one."""
    query = (
        select(*(orders.c[name] for name in ADDRESS))
        .where(orders.c.customer_id == customer_id, orders.c.ship_lines != "")
        .order_by(orders.c.id.desc())
        .limit(1)
    )
    row = db.execute(query).mappings().first()
    return {name: row[name] for name in ADDRESS} if row is not None else {}
