"""The commission: what the customer approves, what is waited for, and what is made together."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("questions", sa.Column("until_paid", sa.Text(), nullable=True))
    op.add_column("models", sa.Column("pose", sa.Text(), nullable=True))
    _give_models_their_pose()


def _give_models_their_pose() -> None:
    """A model past its photos is in the pose of its copies, where they agree."""
    op.execute(
        "UPDATE models SET pose = (SELECT max(c.pose) FROM copies c WHERE c.model_id = models.id"
        " AND c.withdrawn = 0 AND c.step <> 'cancelled' AND c.pose <> ''"
        " GROUP BY c.model_id HAVING count(DISTINCT lower(c.pose)) = 1)"
        " WHERE step NOT IN ('photos_wanted', 'photos_in', 'building', 'assessing')"
    )
