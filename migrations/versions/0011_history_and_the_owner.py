"""History brought in, and what the owner decides."""

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _history()
    _owner()
    _rest()


def _history() -> None:
    """Where imported orders came from."""


def _owner() -> None:
    """What the owner asked, planned and decided."""


def _rest() -> None:
    """What the commission and the parcel still lacked."""
