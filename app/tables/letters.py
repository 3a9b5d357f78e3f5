"""News of an order, and the letters made from it."""

from sqlalchemy import Index, UniqueConstraint
from sqlalchemy import text as sql
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


class News(SQLModel, table=True):
    """Something the customer would like to hear, once per order, animal, kind and round.

    `letter` is the animal's letter in the order, or empty where the news is of the whole order.
    `told_at` says that it is settled: a letter was formed from it (`letter_id`), or somebody or a
    rule decided that none is. Held news waits for a person, who reads in `held_why` what for.
    """

    __tablename__ = "news"
    __table_args__ = (
        UniqueConstraint("order_id", "letter", "kind", "round"),
        Index(
            "ix_news_to_tell",
            "order_id",
            sqlite_where=sql("told_at IS NULL AND taken_back_at IS NULL"),
        ),
        STRICT,
    )

    id: int | None = key()
    order_id: int = to("orders.id", index=True)
    letter: str = text()
    kind: str = text(None)
    round: int = whole(0)
    at: int = whole(None)
    transition_id: int | None = to_or_none("transitions.id")
    taken_back_at: int | None = moment_or_none()
    told_at: int | None = moment_or_none()
    letter_id: int | None = to_or_none("letters.id", index=True)
    held_at: int | None = moment_or_none()
    held_why: str | None = text_or_none()


class Letter(SQLModel, table=True):
    """A letter: what it says is fixed when it is formed, except for the link.

    `parts` and `facts` are JSON: which news it tells, and the facts from which it is worded.
    `remembered` names the letters of the animals that were remembered when it was formed.
    `formed_at` is its date. While it is being sent it belongs to `claim` until `lease_until`.
    """

    __tablename__ = "letters"
    __table_args__ = (
        UniqueConstraint("message_id"),
        one_of("state", "waiting", "sending", "sent", "dead", "held", "dropped"),
        flag("gift"),
        Index("ix_letters_to_send", "next_at", sqlite_where=sql("state IN ('waiting', 'sending')")),
        Index("ix_letters_by_state", "state", "id"),
        STRICT,
    )

    id: int | None = key()
    order_id: int = to("orders.id", index=True)
    state: str = text("waiting")
    kind: str = text(None)
    parts: str = text("[]")
    facts: str = text()
    subject: str = text()
    recipient: str = text()
    to_name: str = text()
    gift: int = whole(0)
    remembered: str = text()
    message_id: str = text(None)
    tag: str = text(None)
    formed_at: int = whole(None)
    next_at: int = whole(None)
    tries: int = whole(0)
    claim: str = text()
    lease_until: int | None = moment_or_none()
    sent_at: int | None = moment_or_none()
    why: str = text()
    account_id: int | None = to_or_none("accounts.id")
