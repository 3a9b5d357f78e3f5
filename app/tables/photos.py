"""Pictures that are here, whose they are, and what the check said of a set."""

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from app.tables.columns import STRICT, flag, key, text, to, to_or_none, whole


class Picture(SQLModel, table=True):
    """A picture that came with a delivery. Its original lies in pictures/ under `path`.

    `name` is the customer's own name for the file, made fit to be shown. The same file twice in
    an order is one picture. `taken` is the camera's own clock (EXIF), empty where it says none.
    """

    __tablename__ = "pictures"
    __table_args__ = (UniqueConstraint("order_id", "sha256"), STRICT)

    id: int | None = key()
    order_id: int = to("orders.id")
    delivery_id: int = to("photo_deliveries.id", index=True)
    sha256: str = text(None)
    size: int = whole(None)
    path: str = text(None)
    name: str = text()
    format: str = text()
    width: int = whole()
    height: int = whole()
    taken: str = text()
    came_at: int = whole(None)
    account_id: int | None = to_or_none("accounts.id")


class PictureNotRead(SQLModel, table=True):
    """A file of a delivery that could not be read; it is named and not kept.

    `problem` is a code of the photo check's reading.
    """

    __tablename__ = "pictures_not_read"
    __table_args__ = (UniqueConstraint("delivery_id", "name", "problem"), STRICT)

    id: int | None = key()
    delivery_id: int = to("photo_deliveries.id")
    name: str = text()
    problem: str = text(None)
    came_at: int = whole(None)


class PictureModel(SQLModel, table=True):
    """A picture is for a model. One picture may be for several."""

    __tablename__ = "picture_models"
    __table_args__ = (UniqueConstraint("model_id", "picture_id"), STRICT)

    id: int | None = key()
    model_id: int = to("models.id")
    picture_id: int = to("pictures.id", index=True)


class PhotoCheck(SQLModel, table=True):
    """A check of a model's set that came to an end.

    `set_key` tells which pictures it saw; `result` is its answer as JSON, `graph` a drawing (SVG).
    `verdict` is empty where the check itself fell.
    """

    __tablename__ = "photo_checks"
    __table_args__ = (flag("remembered"), STRICT)

    id: int | None = key()
    model_id: int = to("models.id", index=True)
    begun_at: int = whole(None)
    ended_at: int = whole(None)
    set_key: str = text()
    pictures: int = whole()
    remembered: int = whole()
    verdict: str = text()
    thresholds_version: str = text()
    result: str = text("{}")
    graph: str = text()
