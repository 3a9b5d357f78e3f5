"""Machines, their runs and batches, the views worked from, and the picture of a customer's page.

When a run began, how it ended and from how many pictures stands in the log of the model. Kept here
is only what the log does not know: which machine, and when the end was expected. A run whose entry
was undone or struck does not count, without anything being changed here.
"""

from sqlalchemy import CheckConstraint, Index, UniqueConstraint, text
from sqlmodel import SQLModel

from app.tables import columns as col


class Machine(SQLModel, table=True):
    """A machine that builds models, or that makes blanks where `makes` says "blanks".

    `places` is how many sets, or pieces of a batch, it takes at once.
    """

    __tablename__ = "machines"
    __table_args__ = (
        UniqueConstraint("name_key"),
        CheckConstraint("places BETWEEN 1 AND 99", name="places_believable"),
        col.STRICT,
    )

    id: int | None = col.key()
    name: str = col.text(None)
    name_key: str = col.text(None)
    places: int = col.whole(1)
    made_at: int = col.whole(None)
    off_at: int | None = col.moment_or_none()
    makes: str | None = col.text_or_none()


class Batch(SQLModel, table=True):
    """Blanks that are made together. Which pieces, since when and how each came out stands in their
    logs, under the batch's number."""

    __tablename__ = "batches"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    machine_id: int | None = col.to_or_none("machines.id")
    material: str = col.text()
    lot: str = col.text()
    made_at: int = col.whole(None)
    ends_by: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")


class Build(SQLModel, table=True):
    """The machine of the run that an entry of the log began, and between when it was to end."""

    __tablename__ = "builds"
    __table_args__ = (
        UniqueConstraint("transition_id"),
        CheckConstraint("ends_from <= ends_by", name="forwards"),
        col.STRICT,
    )

    id: int | None = col.key()
    model_id: int = col.to("models.id", index=True)
    machine_id: int = col.to("machines.id")
    transition_id: int = col.to("transitions.id")
    ends_from: int = col.whole(None)
    ends_by: int = col.whole(None)


class ReleasedPicture(SQLModel, table=True):
    """A picture that somebody released to an order's page: one at a time, until taken back.

    `file` names the encoded JPEG under pictures/released/. `shows` is the model on screen, or a
    piece at painting.
    """

    __tablename__ = "released_pictures"
    __table_args__ = (
        col.one_of("shows", "model", "painting"),
        Index(
            "ix_released_pictures_live",
            "order_id",
            unique=True,
            sqlite_where=text("taken_back_at IS NULL"),
        ),
        col.STRICT,
    )

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    model_id: int = col.to("models.id")
    shows: str = col.text("model")
    file: str = col.text(None)
    size: int = col.whole(None)
    width: int = col.whole(None)
    height: int = col.whole(None)
    released_at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    taken_back_at: int | None = col.moment_or_none()


class ReferenceView(SQLModel, table=True):
    """A picture named as the one to work from: a side of the animal, its face, or a mark.

    The crop is in thousandths of the upright picture's sides. `mark_id` is set where `view` is
    "mark".
    """

    __tablename__ = "reference_views"
    __table_args__ = (
        col.one_of("view", "left", "right", "front", "back", "above", "face", "mark"),
        CheckConstraint("(view = 'mark') = (mark_id IS NOT NULL)", name="mark_named"),
        CheckConstraint(
            "0 <= crop_left AND crop_left < crop_right AND crop_right <= 1000"
            " AND 0 <= crop_top AND crop_top < crop_bottom AND crop_bottom <= 1000",
            name="crop_inside",
        ),
        col.STRICT,
    )

    id: int | None = col.key()
    model_id: int = col.to("models.id", index=True)
    view: str = col.text(None)
    mark_id: int | None = col.to_or_none("marks.id")
    picture_id: int = col.to("pictures.id")
    crop_left: int = col.whole(0)
    crop_top: int = col.whole(0)
    crop_right: int = col.whole(1000)
    crop_bottom: int = col.whole(1000)
    chosen_at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
