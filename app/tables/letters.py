"""News of an order, and the letters made from it."""

from sqlalchemy import Index, UniqueConstraint, text
from sqlmodel import SQLModel

from app.tables import columns as col


class News(SQLModel, table=True):
    """Something the customer would like to hear, once per order, animal, kind and round.

    `letter` is the animal's letter in the order, or empty where the news is of the whole order.
    `told_at` says that it is settled: a letter was formed from it (`letter_id`), or somebody or a
    rule decided that none is. Held news waits for a person, who reads in `held_why` what for.
    `line` is what the person who tells it says of it in words of their own.
    """

    __tablename__ = "news"
    __table_args__ = (
        UniqueConstraint("order_id", "letter", "kind", "round"),
        Index(
            "ix_news_to_tell",
            "order_id",
            sqlite_where=text("told_at IS NULL AND taken_back_at IS NULL"),
        ),
        col.STRICT,
    )

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    letter: str = col.text()
    kind: str = col.text(None)
    round: int = col.whole(0)
    at: int = col.whole(None)
    transition_id: int | None = col.to_or_none("transitions.id")
    taken_back_at: int | None = col.moment_or_none()
    told_at: int | None = col.moment_or_none()
    letter_id: int | None = col.to_or_none("letters.id", index=True)
    held_at: int | None = col.moment_or_none()
    held_why: str | None = col.text_or_none()
    line: str | None = col.text_or_none()


class Letter(SQLModel, table=True):
    """A letter: what it says is fixed when it is formed, except for the link.

    `parts` and `facts` are JSON: which news it tells, and the facts from which it is worded.
    `remembered` names the letters of the animals that were remembered when it was formed.
    `formed_at` is its date. While it is being sent it belongs to `claim` until `lease_until`.
    """

    __tablename__ = "letters"
    __table_args__ = (
        UniqueConstraint("message_id"),
        col.one_of("state", "waiting", "sending", "sent", "dead", "held", "dropped"),
        col.flag("gift"),
        Index(
            "ix_letters_to_send", "next_at", sqlite_where=text("state IN ('waiting', 'sending')")
        ),
        Index("ix_letters_by_state", "state", "id"),
        col.STRICT,
    )

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    state: str = col.text("waiting")
    kind: str = col.text(None)
    parts: str = col.text("[]")
    facts: str = col.text()
    subject: str = col.text()
    recipient: str = col.text()
    to_name: str = col.text()
    gift: int = col.whole(0)
    remembered: str = col.text()
    message_id: str = col.text(None)
    tag: str = col.text(None)
    formed_at: int = col.whole(None)
    next_at: int = col.whole(None)
    tries: int = col.whole(0)
    claim: str = col.text()
    lease_until: int | None = col.moment_or_none()
    sent_at: int | None = col.moment_or_none()
    why: str = col.text()
    account_id: int | None = col.to_or_none("accounts.id")
