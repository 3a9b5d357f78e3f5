"""Orders, and what is asked, told and sent around them."""

from sqlalchemy import CheckConstraint, Integer, UniqueConstraint
from sqlmodel import Field, SQLModel

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
    whole_or_none,
)


class Order(SQLModel, table=True):
    """An order of a customer: who, where to, paid or not, gift, needed by."""

    __tablename__ = "orders"
    __table_args__ = (
        UniqueConstraint("number"),
        one_of("channel", "shop", "phone", "mail", "in_person", "other"),
        one_of("paid", "none", "part", "all"),
        flag("gift"),
        flag("ship_part"),
        flag("imported"),
        flag("open"),
        STRICT,
    )

    id: int | None = key()
    number: int = whole(None)
    customer_id: int = to("customers.id", index=True)
    shop_reference: str = text()
    channel: str = text("shop")
    taken_at: int = whole(None)
    recorded_at: int = whole(None)
    imported: int = whole(0)
    open: int = whole(1)
    paid: str = text("none")
    gift: int = whole(0)
    gift_day: str | None = text_or_none()
    needed_by: str | None = text_or_none()
    needed_reason: str = text()
    ship_name: str = text()
    ship_lines: str = text()
    ship_postcode: str = text()
    ship_country: str = text()
    ship_phone: str = text()
    address_confirmed_at: int | None = moment_or_none()
    ship_part: int = whole(0)
    parcel_note: str = text()
    note: str = text()
    copy_deadline: str | None = text_or_none()
    once: str | None = text_or_none(unique=True)


class OrderAnimal(SQLModel, table=True):
    """An animal of an order under its letter, and the model its copies are made from."""

    __tablename__ = "order_animals"
    __table_args__ = (UniqueConstraint("order_id", "letter"), STRICT)

    id: int | None = key()
    order_id: int = to("orders.id")
    letter: str = text(None)
    animal_id: int = to("animals.id", index=True)
    model_id: int = to("models.id", index=True)


class Question(SQLModel, table=True):
    """Something asked of the customer. While a blocking one is open the clock is the customer's."""

    __tablename__ = "questions"
    __table_args__ = (flag("blocking"), STRICT)

    id: int | None = key()
    order_id: int = to("orders.id", index=True)
    model_id: int | None = to_or_none("models.id")
    copy_id: int | None = to_or_none("copies.id")
    topic: str = text(None)
    asked: str = text(None)
    channel: str = text("letter")
    blocking: int = whole(1)
    asked_at: int = whole(None)
    asked_by_id: int | None = to_or_none("accounts.id")
    answered_at: int | None = moment_or_none()
    answered_by_id: int | None = to_or_none("accounts.id")
    answer: str = text()
    dropped: int = whole(0)


class Contact(SQLModel, table=True):
    """A word with the customer: who, when, by which way, what was asked and what was told."""

    __tablename__ = "contacts"
    __table_args__ = (STRICT,)

    id: int | None = key()
    customer_id: int = to("customers.id", index=True)
    order_id: int | None = to_or_none("orders.id", index=True)
    at: int = whole(None)
    account_id: int | None = to_or_none("accounts.id")
    channel: str = text("phone")
    asked: str = text()
    told: str = text()


class Telling(SQLModel, table=True):
    """A range that the customer was shown or told. The track record measures these.

    `channel` is "page" where the status page showed it. A missing `to_day` says "it will take
    longer", `write_by` being the day by which we write again. Where a person told that it takes
    longer, `cause` is the reason given and `answer` what the customer said: none, waits, cancels.
    """

    __tablename__ = "tellings"
    __table_args__ = (STRICT,)

    id: int | None = key()
    order_id: int = to("orders.id", index=True)
    at: int = whole(None)
    account_id: int | None = to_or_none("accounts.id")
    channel: str = text("page")
    from_day: str | None = text_or_none()
    to_day: str | None = text_or_none()
    write_by: str | None = text_or_none()
    basis: str = text()
    steps_seen: int = whole(0)
    cause: str | None = text_or_none()
    answer: str | None = text_or_none()


class PhotoDelivery(SQLModel, table=True):
    """Pictures that the customer has told us of, or that have come."""

    __tablename__ = "photo_deliveries"
    __table_args__ = (STRICT,)

    id: int | None = key()
    order_id: int = to("orders.id", index=True)
    model_id: int | None = to_or_none("models.id")
    told_at: int = whole(None)
    way: str = text("link")
    link: str = text()
    lapses_on: str | None = text_or_none()
    files_said: int | None = whole_or_none()
    fetched_at: int | None = moment_or_none()
    files_counted: int | None = whole_or_none()
    account_id: int | None = to_or_none("accounts.id")


class ViewAsked(SQLModel, table=True):
    """One numbered view of a request for more views."""

    __tablename__ = "views_asked"
    __table_args__ = (UniqueConstraint("model_id", "attempt", "number"), STRICT)

    id: int | None = key()
    model_id: int = to("models.id")
    attempt: int = whole(None)
    number: int = whole(None)
    wish: str = text(None)
    asked_at: int = whole(None)


class Parcel(SQLModel, table=True):
    """What leaves the house: copies of one or more orders, to one address."""

    __tablename__ = "parcels"
    __table_args__ = (
        one_of("way", "carrier", "collected", "brought"),
        CheckConstraint("way <> 'carrier' OR carrier <> ''", name="carrier_named"),
        STRICT,
    )

    id: int | None = key()
    way: str = text("carrier")
    carrier: str = text()
    number: str = text()
    number_key: str = text()
    ship_to: str = text()
    note: str = text()
    sent_at: int = whole(None)
    account_id: int | None = to_or_none("accounts.id")
    taken_back_at: int | None = moment_or_none()


class StatusLink(SQLModel, table=True):
    """A private link. The link itself is made from the nonce and the key file, never stored."""

    __tablename__ = "status_links"
    __table_args__ = (UniqueConstraint("token_hash"), STRICT)

    id: int | None = key()
    order_id: int = to("orders.id", index=True)
    nonce: str = text(None)
    token_hash: str = text(None)
    made_at: int = whole(None)
    made_by_id: int | None = to_or_none("accounts.id")
    revoked_at: int | None = moment_or_none()
    lapses_at: int | None = moment_or_none()


class StatusPage(SQLModel, table=True):
    """Whether an order's page lags behind: `wanted` is raised by a change, `written` follows."""

    __tablename__ = "status_pages"
    __table_args__ = (STRICT,)

    order_id: int | None = Field(
        default=None, primary_key=True, foreign_key="orders.id", sa_type=Integer
    )
    wanted: int = whole(1)
    written: int = whole(0)
    written_at: int | None = moment_or_none()
