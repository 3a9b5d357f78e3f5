"""The bench, the packing table, the parcel, and what comes after."""

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _my_bench()
    _curing_and_batches()
    _findings()
    _packing()
    _carriers()
    _aftercare()
    _belongings()


def _my_bench() -> None:
    """Who stands at which bench."""


def _curing_and_batches() -> None:
    """What dries, and what lies in a machine together."""


def _findings() -> None:
    """What an inspection finds, and what it ticks."""


def _packing() -> None:
    """Parcels before they leave: what is in them, and pictures of their state."""


def _carriers() -> None:
    """Who carries parcels, and how long that usually takes."""


def _aftercare() -> None:
    """What happens after a piece has left, and what its customer says of it."""


def _belongings() -> None:
    """What customers lent."""
