"""What the person who tells a piece of news says of it in words of their own."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("news", sa.Column("line", sa.Text(), nullable=True))
