"""What went wrong after something had left, as plain data. No database here."""

from dataclasses import dataclass

AFTERCARE = "aftercare"


@dataclass(frozen=True, slots=True)
class CaseFacts:
    """A case, open or of what is lost for good. `letters` are the animals it is about, `codes` the
    copies (A1, B2; none given: all of these animals), `came` that these pieces had arrived.

    `kind` is lost, damaged, fault or returned, `said_by` the customer, the carrier or us; `decided`
    is empty, repair, remake or nothing. `here` says that what is to be mended is back with us. The
    parcel is that in which it left, where it went with a carrier: whose, when and under which
    number. `lent` are the customer's own things in a parcel that was lost.
    """

    id: int
    kind: str
    said_by: str
    letters: tuple[str, ...]
    opened_at: int
    decided: str = ""
    here: bool = False
    came: bool = False
    carrier: str = ""
    number: str = ""
    sent_at: int | None = None
    parcel_id: int | None = None
    codes: tuple[str, ...] = ()

    @property
    def for_good(self) -> bool:
        """Whether something was lost and is not made again: that is said for good, too."""
        return self.kind == "lost" and self.decided == "nothing"

    @property
    def round(self) -> int:
        """The number of its newest news: that it was opened, decided, or that it is here."""
        return self.id * 10 + (3 if self.here else 2 if self.decided else 1)
