"""Those who work here and those who order."""

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from app.tables import columns as col


class Account(SQLModel, table=True):
    """Somebody of the staff. `name_key` is the folded name, so that no two look alike.

    `pin_hash` is that of the four digits with which a name is taken at a shared bench; None where
    one tap is enough.
    """

    __tablename__ = "accounts"
    __table_args__ = (col.one_of("role", "owner", "desk", "bench"), col.STRICT)

    id: int | None = col.key()
    name: str = col.text(None)
    name_key: str = col.text(None)
    role: str = col.text(None)
    password_hash: str = col.text("")
    made_at: int = col.whole(None)
    off_at: int | None = col.moment_or_none()
    pin_hash: str | None = col.text_or_none()


class Session(SQLModel, table=True):
    """A browser that is signed in. Only the hash of its cookie is kept."""

    __tablename__ = "sessions"
    __table_args__ = (UniqueConstraint("token_hash"), col.STRICT)

    id: int | None = col.key()
    token_hash: str = col.text(None)
    account_id: int = col.to("accounts.id", index=True)
    made_at: int = col.whole(None)
    seen_at: int = col.whole(None)
    ended_at: int | None = col.moment_or_none()


class SignInLink(SQLModel, table=True):
    """A link that lets somebody in: the first owner, an invitation, or one who is locked out.

    `uses` is how often it may still be used; the demo's link has no limit (-1).
    """

    __tablename__ = "sign_in_links"
    __table_args__ = (
        UniqueConstraint("token_hash"),
        col.one_of("purpose", "first", "invitation", "way_back", "demo"),
        col.STRICT,
    )

    id: int | None = col.key()
    token_hash: str = col.text(None)
    purpose: str = col.text(None)
    role: str = col.text("")
    name: str = col.text("")
    account_id: int | None = col.to_or_none("accounts.id")
    made_at: int = col.whole(None)
    lapses_at: int = col.whole(None)
    uses: int = col.whole(1)
    used_at: int | None = col.moment_or_none()


class SignInTry(SQLModel, table=True):
    """A wrong guess at a password, so that guessing becomes slow."""

    __tablename__ = "sign_in_tries"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    name_key: str = col.text(None)
    at: int = col.whole(None)


class Customer(SQLModel, table=True):
    """Somebody who orders. A record joined into another keeps its name there as `also_known_as`.
    What was theirs is gone since `erased_at`."""

    __tablename__ = "customers"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    name: str = col.text(None)
    name_key: str = col.text(None)
    address_as: str = col.text()
    language: str = col.text("en")
    phone: str = col.text()
    phone_digits: str = col.text()
    note: str = col.text()
    also_known_as: str = col.text()
    joined_into_id: int | None = col.to_or_none("customers.id")
    made_at: int = col.whole(None)
    import_id: int | None = col.whole_or_none()
    erased_at: int | None = col.moment_or_none()


class CustomerMail(SQLModel, table=True):
    """A mail address of a customer; exactly one of them receives."""

    __tablename__ = "customer_mails"
    __table_args__ = (UniqueConstraint("customer_id", "mail_key"), col.flag("receives"), col.STRICT)

    id: int | None = col.key()
    customer_id: int = col.to("customers.id")
    mail: str = col.text(None)
    mail_key: str = col.text(None)
    receives: int = col.whole(0)


class Animal(SQLModel, table=True):
    """An animal of a customer. `life` may change while an order runs."""

    __tablename__ = "animals"
    __table_args__ = (
        col.one_of("life", "living", "remembered", "not_said"),
        col.one_of("sex", "female", "male", "not_said"),
        col.STRICT,
    )

    id: int | None = col.key()
    customer_id: int = col.to("customers.id", index=True)
    name: str = col.text(None)
    name_key: str = col.text(None)
    kind: str = col.text()
    breed: str = col.text()
    sex: str = col.text("not_said")
    age_shown: str = col.text()
    height: str = col.text()
    colours: str = col.text()
    life: str = col.text("not_said")
    note: str = col.text()
    import_id: int | None = col.whole_or_none()


class Mark(SQLModel, table=True):
    """Something on the animal that has to be matched. Left or right is the animal's own."""

    __tablename__ = "marks"
    __table_args__ = (
        col.one_of("side", "left", "right", "both", "none", "not_asked"),
        col.flag("must"),
        col.STRICT,
    )

    id: int | None = col.key()
    animal_id: int = col.to("animals.id", index=True)
    place: str = col.text()
    side: str = col.text("not_asked")
    what: str = col.text(None)
    must: int = col.whole(1)
    gone_at: int | None = col.moment_or_none()


class Change(SQLModel, table=True):
    """A field of an order, animal, copy, customer or setting that somebody changed.

    `asked_by` is the way in which the customer asked for it, or "us"; with `tell` they are told.
    """

    __tablename__ = "changes"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    of: str = col.text(None)
    of_id: int = col.whole(0)
    order_id: int | None = col.to_or_none("orders.id", index=True)
    field: str = col.text(None)
    before: str | None = col.text_or_none()
    after: str | None = col.text_or_none()
    asked_by: str | None = col.text_or_none()
    tell: int | None = col.whole_or_none()
