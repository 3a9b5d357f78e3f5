"""What happens after a piece has left: cases, their pictures, and what customers say of it."""

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from app.tables import columns as col


class AftercareCase(SQLModel, table=True):
    """Something that went wrong with pieces of one order that had left the house.

    `said_by` is by whose word it was opened, `parcel_id` the parcel it is about. `claim_by` is the
    last day for a claim, as its carrier says. `decided` is repair, remake or nothing; a `refund`
    is only noted, never with an amount. `here_at` is when a piece to be repaired came back.
    """

    __tablename__ = "aftercare_cases"
    __table_args__ = (
        col.one_of("kind", "lost", "damaged", "fault", "returned"),
        col.one_of("said_by", "customer", "carrier", "us"),
        col.flag("refund"),
        col.STRICT,
    )

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    parcel_id: int | None = col.to_or_none("parcels.id", index=True)
    kind: str = col.text(None)
    said_by: str = col.text(None)
    words: str = col.text()
    opened_at: int = col.whole(None)
    opened_by_id: int | None = col.to_or_none("accounts.id")
    claim_by: str | None = col.text_or_none()
    decided: str | None = col.text_or_none()
    refund: int = col.whole(0)
    decision: str = col.text()
    decided_at: int | None = col.moment_or_none()
    decided_by_id: int | None = col.to_or_none("accounts.id")
    here_at: int | None = col.moment_or_none()
    closed_at: int | None = col.moment_or_none()
    closed_by_id: int | None = col.to_or_none("accounts.id")
    once: str | None = col.text_or_none()


class AftercareCopy(SQLModel, table=True):
    """A copy that a case is about. `made_id` is the copy that goes on in its place: its repair, or
    one made again. Neither counts in lead times."""

    __tablename__ = "aftercare_copies"
    __table_args__ = (UniqueConstraint("case_id", "copy_id"), col.STRICT)

    id: int | None = col.key()
    case_id: int = col.to("aftercare_cases.id")
    copy_id: int = col.to("copies.id", index=True)
    made_id: int | None = col.to_or_none("copies.id", index=True)


class AftercarePicture(SQLModel, table=True):
    """A customer's picture of what went wrong. `file` lies in pictures/bench/, made anew without
    metadata; never shown to customers."""

    __tablename__ = "aftercare_pictures"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    case_id: int = col.to("aftercare_cases.id", index=True)
    file: str = col.text(None)
    width: int = col.whole(None)
    height: int = col.whole(None)
    at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    gone_at: int | None = col.moment_or_none()


class CustomerWords(SQLModel, table=True):
    """What a customer said of what was made, passed on to those who made it.

    `may_show` is whether pictures of it may be shown, `show_what` for what, `show_on` (a day) when
    they said so.
    """

    __tablename__ = "customer_words"
    __table_args__ = (col.one_of("may_show", "not_asked", "asked", "yes", "no"), col.STRICT)

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    words: str = col.text()
    said_at: int = col.whole(None)
    noted_by_id: int | None = col.to_or_none("accounts.id")
    may_show: str = col.text("not_asked")
    show_what: str = col.text()
    show_on: str | None = col.text_or_none()
    gone_at: int | None = col.moment_or_none()
    once: str | None = col.text_or_none()
