"""Build machines, the runs on them, and the one picture that a customer's page may show.

When a run began, how it ended and from how many pictures stands in the log of the model. Kept here
is only what the log does not know: which machine, and when the end was expected. A run whose entry
was undone or struck does not count, without anything being changed here.
"""

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlmodel import SQLModel

from app.tables.columns import STRICT, key, one_of, text, to, to_or_none, whole
from app.tables.columns import whole_or_none as moment_or_none


class Machine(SQLModel, table=True):
    """A machine that builds models. `places` is how many sets it takes at once."""

    __tablename__ = "machines"
    __table_args__ = (
        UniqueConstraint("name_key"),
        CheckConstraint("places BETWEEN 1 AND 99", name="places_believable"),
        STRICT,
    )

    id: int | None = key()
    name: str = text(None)
    name_key: str = text(None)
    places: int = whole(1)
    made_at: int = whole(None)
    off_at: int | None = moment_or_none()


class Build(SQLModel, table=True):
    """The machine of the run that an entry of the log began, and between when it was to end."""

    __tablename__ = "builds"
    __table_args__ = (
        UniqueConstraint("transition_id"),
        CheckConstraint("ends_from <= ends_by", name="forwards"),
        STRICT,
    )

    id: int | None = key()
    model_id: int = to("models.id", index=True)
    machine_id: int = to("machines.id")
    transition_id: int = to("transitions.id")
    ends_from: int = whole(None)
    ends_by: int = whole(None)


class ReleasedPicture(SQLModel, table=True):
    """A picture that somebody released to an order's page: one at a time, until taken back.

    `file` names the encoded JPEG under pictures/released/. `shows` is the model on screen, or a
    piece at painting.
    """

    __tablename__ = "released_pictures"
    __table_args__ = (
        one_of("shows", "model", "painting"),
        Index(
            "ix_released_pictures_live",
            "order_id",
            unique=True,
            sqlite_where=sql("taken_back_at IS NULL"),
        ),
        STRICT,
    )

    id: int | None = key()
    order_id: int = to("orders.id", index=True)
    model_id: int = to("models.id")
    shows: str = text("model")
    file: str = text(None)
    size: int = whole(None)
    width: int = whole(None)
    height: int = whole(None)
    released_at: int = whole(None)
    account_id: int | None = to_or_none("accounts.id")
    taken_back_at: int | None = moment_or_none()
