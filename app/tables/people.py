"""Those who work here and those who order."""

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from app.tables.columns import (
    STRICT,
    flag,
    key,
    moment_or_none,
    one_of,
    text,
    text_or_none,
    to,
    to_or_none,
    whole,
)


class Account(SQLModel, table=True):
    """Somebody of the staff. `name_key` is the folded name, so that no two look alike."""

    __tablename__ = "accounts"
    __table_args__ = (one_of("role", "owner", "desk", "bench"), STRICT)

    id: int | None = key()
    name: str = text(None)
    name_key: str = text(None)
    role: str = text(None)
    password_hash: str = text("")
    made_at: int = whole(None)
    off_at: int | None = moment_or_none()


class Session(SQLModel, table=True):
    """A browser that is signed in. Only the hash of its cookie is kept."""

    __tablename__ = "sessions"
    __table_args__ = (UniqueConstraint("token_hash"), STRICT)

    id: int | None = key()
    token_hash: str = text(None)
    account_id: int = to("accounts.id", index=True)
    made_at: int = whole(None)
    seen_at: int = whole(None)
    ended_at: int | None = moment_or_none()


class SignInLink(SQLModel, table=True):
    """A link that lets somebody in: the first owner, an invitation, or one who is locked out.

    `uses` is how often it may still be used; the demo's link has no limit (-1).
    """

    __tablename__ = "sign_in_links"
    __table_args__ = (
        UniqueConstraint("token_hash"),
        one_of("purpose", "first", "invitation", "way_back", "demo"),
        STRICT,
    )

    id: int | None = key()
    token_hash: str = text(None)
    purpose: str = text(None)
    role: str = text("")
    name: str = text("")
    account_id: int | None = to_or_none("accounts.id")
    made_at: int = whole(None)
    lapses_at: int = whole(None)
    uses: int = whole(1)
    used_at: int | None = moment_or_none()


class SignInTry(SQLModel, table=True):
    """A wrong guess at a password, so that guessing becomes slow."""

    __tablename__ = "sign_in_tries"
    __table_args__ = (STRICT,)

    id: int | None = key()
    name_key: str = text(None)
    at: int = whole(None)


class Customer(SQLModel, table=True):
    """Somebody who orders. A record joined into another keeps its name there as `also_known_as`."""

    __tablename__ = "customers"
    __table_args__ = (STRICT,)

    id: int | None = key()
    name: str = text(None)
    name_key: str = text(None)
    address_as: str = text()
    language: str = text("en")
    phone: str = text()
    phone_digits: str = text()
    note: str = text()
    also_known_as: str = text()
    joined_into_id: int | None = to_or_none("customers.id")
    made_at: int = whole(None)


class CustomerMail(SQLModel, table=True):
    """A mail address of a customer; exactly one of them receives."""

    __tablename__ = "customer_mails"
    __table_args__ = (UniqueConstraint("customer_id", "mail_key"), flag("receives"), STRICT)

    id: int | None = key()
    customer_id: int = to("customers.id")
    mail: str = text(None)
    mail_key: str = text(None)
    receives: int = whole(0)


class Animal(SQLModel, table=True):
    """An animal of a customer. `life` may change while an order runs."""

    __tablename__ = "animals"
    __table_args__ = (
        one_of("life", "living", "remembered", "not_said"),
        one_of("sex", "female", "male", "not_said"),
        STRICT,
    )

    id: int | None = key()
    customer_id: int = to("customers.id", index=True)
    name: str = text(None)
    name_key: str = text(None)
    kind: str = text()
    breed: str = text()
    sex: str = text("not_said")
    age_shown: str = text()
    height: str = text()
    colours: str = text()
    life: str = text("not_said")
    note: str = text()


class Mark(SQLModel, table=True):
    """Something on the animal that has to be matched. Left or right is the animal's own."""

    __tablename__ = "marks"
    __table_args__ = (
        one_of("side", "left", "right", "both", "none", "not_asked"),
        flag("must"),
        STRICT,
    )

    id: int | None = key()
    animal_id: int = to("animals.id", index=True)
    place: str = text()
    side: str = text("not_asked")
    what: str = text(None)
    must: int = whole(1)
    gone_at: int | None = moment_or_none()


class Change(SQLModel, table=True):
    """A field of an order, animal, copy, customer or setting that somebody changed."""

    __tablename__ = "changes"
    __table_args__ = (STRICT,)

    id: int | None = key()
    at: int = whole(None)
    account_id: int | None = to_or_none("accounts.id")
    of: str = text(None)
    of_id: int = whole(0)
    order_id: int | None = to_or_none("orders.id", index=True)
    field: str = text(None)
    before: str | None = text_or_none()
    after: str | None = text_or_none()
