"""Pictures that are here, whose they are, and what the check said of a set."""

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from app.tables import columns as col


class Picture(SQLModel, table=True):
    """A picture that came with a delivery. Its original lies in pictures/ under `path`.

    `name` is the customer's own name for the file, made fit to be shown. The same file twice in
    an order is one picture. `taken` is the camera's own clock (EXIF), empty where it says none.
    """

    __tablename__ = "pictures"
    __table_args__ = (UniqueConstraint("order_id", "sha256"), col.STRICT)

    id: int | None = col.key()
    order_id: int = col.to("orders.id")
    delivery_id: int = col.to("photo_deliveries.id", index=True)
    sha256: str = col.text(None)
    size: int = col.whole(None)
    path: str = col.text(None)
    name: str = col.text()
    format: str = col.text()
    width: int = col.whole()
    height: int = col.whole()
    taken: str = col.text()
    came_at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")


class PictureNotRead(SQLModel, table=True):
    """A file of a delivery that could not be read; it is named and not kept.

    `problem` is a code of the photo check's reading.
    """

    __tablename__ = "pictures_not_read"
    __table_args__ = (UniqueConstraint("delivery_id", "name", "problem"), col.STRICT)

    id: int | None = col.key()
    delivery_id: int = col.to("photo_deliveries.id")
    name: str = col.text()
    problem: str = col.text(None)
    came_at: int = col.whole(None)


class PictureModel(SQLModel, table=True):
    """A picture is for a model. One picture may be for several."""

    __tablename__ = "picture_models"
    __table_args__ = (UniqueConstraint("model_id", "picture_id"), col.STRICT)

    id: int | None = col.key()
    model_id: int = col.to("models.id")
    picture_id: int = col.to("pictures.id", index=True)


class PhotoCheck(SQLModel, table=True):
    """A check of a model's set that came to an end.

    `set_key` tells which pictures it saw; `result` is its answer as JSON, `graph` a drawing (SVG).
    `verdict` is empty where the check itself fell.
    """

    __tablename__ = "photo_checks"
    __table_args__ = (col.flag("remembered"), col.STRICT)

    id: int | None = col.key()
    model_id: int = col.to("models.id", index=True)
    begun_at: int = col.whole(None)
    ended_at: int = col.whole(None)
    set_key: str = col.text()
    pictures: int = col.whole()
    remembered: int = col.whole()
    verdict: str = col.text()
    thresholds_version: str = col.text()
    result: str = col.text("{}")
    graph: str = col.text()
