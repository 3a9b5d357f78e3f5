"""Orders, and what is asked, told and sent around them."""

from sqlalchemy import CheckConstraint, Index, Integer, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from app.tables import columns as col


class Order(SQLModel, table=True):
    """An order of a customer: who, where to, paid or not, gift, needed by.

    `approves` is what the customer sees and approves: model, paint, both, or nothing (None).
    `import_id` is the row of `imports` with which it came, if it did.
    """

    __tablename__ = "orders"
    __table_args__ = (
        UniqueConstraint("number"),
        col.one_of("channel", "shop", "phone", "mail", "in_person", "other"),
        col.one_of("paid", "none", "part", "all"),
        col.flag("gift"),
        col.flag("ship_part"),
        col.flag("imported"),
        col.flag("open"),
        col.STRICT,
    )

    id: int | None = col.key()
    number: int = col.whole(None)
    customer_id: int = col.to("customers.id", index=True)
    shop_reference: str = col.text()
    channel: str = col.text("shop")
    taken_at: int = col.whole(None)
    recorded_at: int = col.whole(None)
    imported: int = col.whole(0)
    open: int = col.whole(1)
    paid: str = col.text("none")
    gift: int = col.whole(0)
    gift_day: str | None = col.text_or_none()
    needed_by: str | None = col.text_or_none()
    needed_reason: str = col.text()
    ship_name: str = col.text()
    ship_lines: str = col.text()
    ship_postcode: str = col.text()
    ship_country: str = col.text()
    ship_phone: str = col.text()
    address_confirmed_at: int | None = col.moment_or_none()
    ship_part: int = col.whole(0)
    parcel_note: str = col.text()
    note: str = col.text()
    copy_deadline: str | None = col.text_or_none()
    once: str | None = col.text_or_none(unique=True)
    bench_note: str | None = col.text_or_none()
    approves: str | None = col.text_or_none()
    import_id: int | None = col.whole_or_none()


class ListedOrder(SQLModel, table=True):
    """An order on the waiting list, or that was on it: no piece of it is in the log before it
    begins, and until then its row of `orders` is not open.

    `typed` is the form as it was typed, JSON, as right on the day `typed_on`; empty once it began.
    `begins_on` is the Monday of the week in which the customer was told that it begins, `round` how
    often they were told. It began at `began_at`, or was struck off the list at `off_at`, `why`.
    """

    __tablename__ = "waiting_list"
    __table_args__ = (
        CheckConstraint("began_at IS NULL OR off_at IS NULL", name="one_end"),
        col.STRICT,
    )

    order_id: int | None = Field(
        default=None, primary_key=True, foreign_key="orders.id", sa_type=Integer
    )
    put_at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    typed: str = col.text(None)
    typed_on: str = col.text(None)
    copies: int = col.whole(None)
    begins_on: str = col.text(None)
    round: int = col.whole(1)
    began_at: int | None = col.moment_or_none()
    off_at: int | None = col.moment_or_none()
    why: str = col.text()


class OrderAnimal(SQLModel, table=True):
    """An animal of an order under its letter, and the model its copies are made from."""

    __tablename__ = "order_animals"
    __table_args__ = (UniqueConstraint("order_id", "letter"), col.STRICT)

    id: int | None = col.key()
    order_id: int = col.to("orders.id")
    letter: str = col.text(None)
    animal_id: int = col.to("animals.id", index=True)
    model_id: int = col.to("models.id", index=True)


class Question(SQLModel, table=True):
    """Something asked of the customer.

    An open one that is `blocking` stops the work `before_step` and after it; without a step, where
    it is. The owner may go on without an answer: `overridden`, with a reason. One with `until_paid`
    is open until so much of the order is paid: part, or all. One with a `round` is an approval that
    the order requires (flow.approvals); while nothing is `asked`, nobody has been shown anything
    yet. `verdict` is its answer: yes, changes or no.
    """

    __tablename__ = "questions"
    __table_args__ = (col.flag("blocking"), col.STRICT)

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    model_id: int | None = col.to_or_none("models.id")
    copy_id: int | None = col.to_or_none("copies.id")
    topic: str = col.text(None)
    asked: str = col.text(None)
    channel: str = col.text("letter")
    blocking: int = col.whole(1)
    asked_at: int = col.whole(None)
    asked_by_id: int | None = col.to_or_none("accounts.id")
    answered_at: int | None = col.moment_or_none()
    answered_by_id: int | None = col.to_or_none("accounts.id")
    answer: str = col.text()
    dropped: int = col.whole(0)
    before_step: str | None = col.text_or_none()
    overridden_at: int | None = col.moment_or_none()
    overridden: str | None = col.text_or_none()
    until_paid: str | None = col.text_or_none()
    round: int | None = col.whole_or_none()
    verdict: str | None = col.text_or_none()


class ApprovalPicture(SQLModel, table=True):
    """A picture that a customer is asked to approve; its `file` lies under pictures/released/."""

    __tablename__ = "approval_pictures"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    question_id: int = col.to("questions.id", index=True)
    file: str = col.text(None)
    size: int = col.whole(None)
    width: int = col.whole(None)
    height: int = col.whole(None)


class SupplierPart(SQLModel, table=True):
    """Something that comes from a supplier for a copy, or for every copy of an order.

    Until it is here (`here_at`), work on the copy stops before `before_step`. `gone_at` is when it
    was struck out; the owner may go on without it, `overridden`, with a reason.
    """

    __tablename__ = "parts"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    copy_id: int | None = col.to_or_none("copies.id")
    kind: str = col.text(None)
    what: str = col.text()
    supplier: str = col.text()
    ordered_on: str | None = col.text_or_none()
    due_on: str | None = col.text_or_none()
    before_step: str = col.text(None)
    noted_at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    here_at: int | None = col.moment_or_none()
    gone_at: int | None = col.moment_or_none()
    overridden_at: int | None = col.moment_or_none()
    overridden: str | None = col.text_or_none()


class Contact(SQLModel, table=True):
    """A word with the customer: who, when, by which way, what was asked and what was told."""

    __tablename__ = "contacts"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    customer_id: int = col.to("customers.id", index=True)
    order_id: int | None = col.to_or_none("orders.id", index=True)
    at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    channel: str = col.text("phone")
    asked: str = col.text()
    told: str = col.text()


class Telling(SQLModel, table=True):
    """A range that the customer was shown or told. The track record measures these.

    `channel` is "page" where the status page showed it. A missing `to_day` says "it will take
    longer", `write_by` being the day by which we write again. Where a person told that it takes
    longer, `cause` is the reason given and `answer` what the customer said: none, waits, cancels.
    """

    __tablename__ = "tellings"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    channel: str = col.text("page")
    from_day: str | None = col.text_or_none()
    to_day: str | None = col.text_or_none()
    write_by: str | None = col.text_or_none()
    basis: str = col.text()
    steps_seen: int = col.whole(0)
    cause: str | None = col.text_or_none()
    answer: str | None = col.text_or_none()


class PhotoDelivery(SQLModel, table=True):
    """Pictures that the customer has told us of, or that have come."""

    __tablename__ = "photo_deliveries"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    model_id: int | None = col.to_or_none("models.id")
    told_at: int = col.whole(None)
    way: str = col.text("link")
    link: str = col.text()
    lapses_on: str | None = col.text_or_none()
    files_said: int | None = col.whole_or_none()
    fetched_at: int | None = col.moment_or_none()
    files_counted: int | None = col.whole_or_none()
    account_id: int | None = col.to_or_none("accounts.id")


class ViewAsked(SQLModel, table=True):
    """One numbered view of a request for more views."""

    __tablename__ = "views_asked"
    __table_args__ = (UniqueConstraint("model_id", "attempt", "number"), col.STRICT)

    id: int | None = col.key()
    model_id: int = col.to("models.id")
    attempt: int = col.whole(None)
    number: int = col.whole(None)
    wish: str = col.text(None)
    asked_at: int = col.whole(None)


class Parcel(SQLModel, table=True):
    """What leaves the house: copies of one or more orders, to one address.

    Being packed until it is `sealed_at`, here until it is `sent_at`; a sealed one whose handing
    over was undone is sealed again. One that left as soon as it was made was never sealed.
    `taken_back_at` ends one that did not leave after all. The boxes are as they were chosen, with
    their inner measures; `packed_by_id` is who closed it, `account_id` who handed it over.
    `corrected_at` is when its carrier or number was last put right after a letter had named it.
    `usual_first` and `usual_last` are the days (ISO) on which it was usually to be there, by the
    list of carriers as it stood at its handing over.
    """

    __tablename__ = "parcels"
    __table_args__ = (
        col.one_of("way", "carrier", "collected", "brought"),
        CheckConstraint(
            "sent_at IS NULL OR way <> 'carrier' OR carrier <> ''", name="carrier_named"
        ),
        col.flag("care_card"),
        Index("ix_parcels_here", "id", sqlite_where=text("sent_at IS NULL")),
        col.STRICT,
    )

    id: int | None = col.key()
    way: str = col.text("carrier")
    carrier: str = col.text()
    number: str = col.text()
    number_key: str = col.text()
    ship_to: str = col.text()
    note: str = col.text()
    sent_at: int | None = col.moment_or_none()
    account_id: int | None = col.to_or_none("accounts.id")
    taken_back_at: int | None = col.moment_or_none()
    begun_at: int | None = col.moment_or_none()
    sealed_at: int | None = col.moment_or_none()
    packed_by_id: int | None = col.to_or_none("accounts.id")
    inner_box: str | None = col.text_or_none()
    outer_box: str | None = col.text_or_none()
    care_card: int | None = col.whole_or_none()
    corrected_at: int | None = col.moment_or_none()
    usual_first: str | None = col.text_or_none()
    usual_last: str | None = col.text_or_none()


class PackedPiece(SQLModel, table=True):
    """A copy put into a parcel, until it is taken out again.

    It lies in there while it is at packing and came there before it was put in; nothing has to be
    written where it moves. Measures are the packer's own, of the piece with its base. `reason` is
    why it was wrapped although something stood against it.
    """

    __tablename__ = "packed_pieces"
    __table_args__ = (col.flag("mounted"), col.STRICT)

    id: int | None = col.key()
    parcel_id: int = col.to("parcels.id", index=True)
    copy_id: int = col.to("copies.id", index=True)
    put_at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    out_at: int | None = col.moment_or_none()
    length_mm: int | None = col.whole_or_none()
    width_mm: int | None = col.whole_or_none()
    height_mm: int | None = col.whole_or_none()
    mounted: int = col.whole(0)
    reason: str = col.text()


class ParcelPicture(SQLModel, table=True):
    """A picture of how a parcel was packed, kept for a claim.

    Under pictures/parcels/ lie the `original` as it came, named by its SHA-256, and the `file`
    that is shown, made anew from its pixels.
    """

    __tablename__ = "parcel_pictures"
    __table_args__ = (col.one_of("of", "piece", "cushion", "closed", "outer", "label"), col.STRICT)

    id: int | None = col.key()
    parcel_id: int = col.to("parcels.id", index=True)
    of: str = col.text(None)
    file: str = col.text(None)
    original: str = col.text(None)
    width: int = col.whole(None)
    height: int = col.whole(None)
    at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")


class StatusLink(SQLModel, table=True):
    """A private link. The link itself is made from the nonce and the key file, never stored."""

    __tablename__ = "status_links"
    __table_args__ = (UniqueConstraint("token_hash"), col.STRICT)

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    nonce: str = col.text(None)
    token_hash: str = col.text(None)
    made_at: int = col.whole(None)
    made_by_id: int | None = col.to_or_none("accounts.id")
    revoked_at: int | None = col.moment_or_none()
    lapses_at: int | None = col.moment_or_none()


class StatusPage(SQLModel, table=True):
    """Whether an order's page lags behind: `wanted` is raised by a change, `written` follows."""

    __tablename__ = "status_pages"
    __table_args__ = (col.STRICT,)

    order_id: int | None = Field(
        default=None, primary_key=True, foreign_key="orders.id", sa_type=Integer
    )
    wanted: int = col.whole(1)
    written: int = col.whole(0)
    written_at: int | None = col.moment_or_none()
