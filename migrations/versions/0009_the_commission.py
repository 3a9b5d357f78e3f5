"""The commission: what the customer approves, what is waited for, and what is made together."""

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass
