"""How the colours of an animal were mixed."""

from sqlalchemy import Index, text
from sqlmodel import SQLModel

from app.tables import columns as col


class ColourZone(SQLModel, table=True):
    """How one zone of an animal was painted: the paints, the mix, how it was laid on.

    Nothing in a row is changed but `chip`, the file of a photo of the test chip: another row takes
    its place, and it is `gone_at`.
    """

    __tablename__ = "colour_zones"
    __table_args__ = (
        Index(
            "ix_colour_zones_now",
            "animal_id",
            "zone_key",
            unique=True,
            sqlite_where=text("gone_at IS NULL"),
        ),
        col.STRICT,
    )

    id: int | None = col.key()
    animal_id: int = col.to("animals.id", index=True)
    zone: str = col.text(None)
    zone_key: str = col.text(None)
    paint: str = col.text(None)
    mix: str = col.text()
    thinner: str = col.text()
    layers: str = col.text()
    note: str = col.text()
    chip: str | None = col.text_or_none()
    at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    gone_at: int | None = col.moment_or_none()
