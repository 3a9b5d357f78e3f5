"""By what the studio's key is known again."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("house", sa.Column("key_fingerprint", sa.Text(), nullable=True))
