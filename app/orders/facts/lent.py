"""What a customer lent, as plain data. No database here."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LentFacts:
    """Something of the customer's. `what` are its own words where its `kind` is "other".

    `animal` is whose it is by name, or empty. `way` is how it goes back, and once `returned_at`
    (UTC seconds) is set how it went: parcel (`parcel_id`), hand or post.
    """

    kind: str
    what: str = ""
    animal: str = ""
    way: str = "parcel"
    returned_at: int | None = None
    parcel_id: int | None = None

    @property
    def here(self) -> bool:
        """Whether it is in the house."""
        return self.returned_at is None
