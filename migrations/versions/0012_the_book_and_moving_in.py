"""A book with a limit, and what a studio needs to move in, to be kept and to leave."""

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _book()
    _moving_in()
    _kept()


def _book() -> None:
    """How much is taken on in a week, and who waits to be taken on."""


def _moving_in() -> None:
    """What is set up in a browser."""


def _kept() -> None:
    """What is kept, for how long, and what is gone."""
