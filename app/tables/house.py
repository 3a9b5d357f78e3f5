"""The house itself: what a person can set, and the counter of writes."""

from sqlalchemy import CheckConstraint, Integer, Text
from sqlmodel import Field, SQLModel

from app.tables import columns as col


class House(SQLModel, table=True):
    """One row. `version` is raised by every write; `demo` marks an invented studio.

    `key_fingerprint` is of the key that the links were made with; NULL until first opened.
    """

    __tablename__ = "house"
    __table_args__ = (CheckConstraint("id = 1", name="only_one"), col.STRICT)

    id: int | None = col.key()
    version: int = col.whole(0)
    demo: int = col.whole(0)
    made_at: int = col.whole(None)
    key_fingerprint: str | None = col.text_or_none()


class Setting(SQLModel, table=True):
    """A setting of the studio, as JSON under its name."""

    __tablename__ = "settings"
    __table_args__ = (col.STRICT,)

    name: str = Field(primary_key=True, sa_type=Text)
    value: str = col.text(None)
    changed_at: int = col.whole(None)
    changed_by_id: int | None = col.to_or_none("accounts.id")


class Closure(SQLModel, table=True):
    """Days on which the whole house is shut."""

    __tablename__ = "closures"
    __table_args__ = (CheckConstraint("first_day <= last_day", name="forwards"), col.STRICT)

    id: int | None = col.key()
    first_day: str = col.text(None)
    last_day: str = col.text(None)
    reason: str = col.text()
    taken_back_at: int | None = col.moment_or_none()


class CarrierOnList(SQLModel, table=True):
    """A carrier of the studio's list, the usual one first; `gone_at` is when it was taken off.

    `home`, `abroad` and `countries` (a line for each) are days on the way, "2 to 4": of working
    days or of calendar days. `claim_days` count from handing over, `texts` says that the carrier
    writes to the recipient. What is empty is not known.
    """

    __tablename__ = "carriers"
    __table_args__ = (
        CheckConstraint("name <> ''", name="named"),
        col.one_of("number_form", "none", "s10", "sscc", "digits22"),
        col.one_of("days_are", "working", "calendar"),
        col.flag("texts"),
        col.STRICT,
    )

    id: int | None = col.key()
    name: str = col.text(None)
    tracking: str = col.text()
    number_form: str = col.text("none")
    days_are: str = col.text("working")
    home: str = col.text()
    abroad: str = col.text()
    countries: str = col.text()
    claim_days: int | None = col.whole_or_none()
    texts: int = col.whole(0)
    place: int = col.whole(1)
    gone_at: int | None = col.moment_or_none()


class StepText(SQLModel, table=True):
    """The studio's own words for a step: when it is done, what to watch out for."""

    __tablename__ = "step_texts"
    __table_args__ = (col.STRICT,)

    step: str = Field(primary_key=True, sa_type=Text)
    done_when: str = col.text()
    watch_out: str = col.text()


class StoredForecast(SQLModel, table=True):
    """What is computed of an order: days that remain, as JSON points, and from what."""

    __tablename__ = "forecasts"
    __table_args__ = (col.STRICT,)

    order_id: int = Field(primary_key=True, foreign_key="orders.id", sa_type=Integer)
    computed_at: int = col.whole(None)
    points: str = col.text("{}")
    basis: str = col.text()
    inputs: str = col.text()
    stale: int = col.whole(1)
    later_since: str | None = col.text_or_none()


class LetGo(SQLModel, table=True):
    """What has gone for good, and that it was done: a person, or photos or letters of which time
    was up. Without `account_id` the house did it; `again` says that a restore had brought it back.

    `customer_id` is set for a person. `amount` counts orders of a person, photos, or letters.
    """

    __tablename__ = "let_go"
    __table_args__ = (
        col.one_of("what", "person", "photos", "letters"), col.flag("again"), col.STRICT,
    )  # fmt: skip

    id: int | None = col.key()
    at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    what: str = col.text(None)
    customer_id: int | None = col.to_or_none("customers.id", index=True)
    amount: int = col.whole(0)
    again: int = col.whole(0)


class Drill(SQLModel, table=True):
    """A backup that was restored on trial; `why` is what was wrong with it, empty where nothing."""

    __tablename__ = "drills"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    at: int = col.whole(None)
    backup_at: int = col.whole(None)
    why: str = col.text()
