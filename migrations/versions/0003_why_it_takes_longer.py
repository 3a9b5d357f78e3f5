"""Why an order takes longer, as it was told, and what its customer said to that."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("tellings", sa.Column("cause", sa.Text(), nullable=True))
    op.add_column("tellings", sa.Column("answer", sa.Text(), nullable=True))
