"""Where a copy's size is measured; of what was ordered before, nobody said."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("copies", sa.Column("measured", sa.Text(), nullable=True))
