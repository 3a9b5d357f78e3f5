"""What customers lent: a collar, hair, ashes, prints."""

from sqlmodel import SQLModel

from app.tables import columns as col


class Belonging(SQLModel, table=True):
    """Something of a customer's that came into the house for an order.

    `way` is how it goes back, once `returned_at` is set how it went: in a parcel (`parcel_id`),
    from hand to hand, or by post alone. `back_from_id` is a parcel in which it was when that came
    back undelivered. `gone_at` says that it was noted wrongly. `order_animal_id` is whose it is,
    None where it is of nobody in particular.
    """

    __tablename__ = "belongings"
    __table_args__ = (
        col.one_of("kind", "collar", "hair", "ashes", "prints", "other"),
        col.one_of("way", "parcel", "hand", "post"),
        col.STRICT,
    )

    id: int | None = col.key()
    order_id: int = col.to("orders.id", index=True)
    order_animal_id: int | None = col.to_or_none("order_animals.id")
    kind: str = col.text(None)
    what: str = col.text()
    shelf: str = col.text()
    way: str = col.text("parcel")
    received_at: int = col.whole(None)
    received_by_id: int | None = col.to_or_none("accounts.id")
    returned_at: int | None = col.moment_or_none()
    returned_by_id: int | None = col.to_or_none("accounts.id")
    parcel_id: int | None = col.to_or_none("parcels.id", index=True)
    back_from_id: int | None = col.to_or_none("parcels.id")
    gone_at: int | None = col.moment_or_none()
    once: str | None = col.text_or_none(unique=True)
