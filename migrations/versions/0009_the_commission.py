"""The commission: what the customer approves, what is waited for, and what is made together."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("changes", sa.Column("asked_by", sa.Text(), nullable=True))
    op.add_column("changes", sa.Column("tell", sa.Integer(), nullable=True))
    op.add_column("questions", sa.Column("until_paid", sa.Text(), nullable=True))
    op.add_column("models", sa.Column("pose", sa.Text(), nullable=True))
    op.add_column("orders", sa.Column("approves", sa.Text(), nullable=True))
    op.add_column("questions", sa.Column("round", sa.Integer(), nullable=True))
    op.add_column("questions", sa.Column("verdict", sa.Text(), nullable=True))
    op.create_table(
        "approval_pictures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("question_id", sa.Integer(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["question_id"],
            ["questions.id"],
            name=op.f("fk_approval_pictures_question_id_questions"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_approval_pictures")),
        sqlite_strict=True,
    )
    op.create_index("ix_approval_pictures_question_id", "approval_pictures", ["question_id"])
    _give_models_their_pose()
    op.create_table(
        "copy_companions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=False),
        sa.Column("order_animal_id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["copy_id"], ["copies.id"], name=op.f("fk_copy_companions_copy_id_copies")
        ),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_copy_companions_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["order_animal_id"],
            ["order_animals.id"],
            name=op.f("fk_copy_companions_order_animal_id_order_animals"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_copy_companions")),
        sa.UniqueConstraint(
            "copy_id", "order_animal_id", name=op.f("uq_copy_companions_copy_id_order_animal_id")
        ),
        sqlite_strict=True,
    )
    op.create_index("ix_copy_companions_model_id", "copy_companions", ["model_id"])
    op.create_index("ix_copy_companions_order_animal_id", "copy_companions", ["order_animal_id"])
    op.create_table(
        "parts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("supplier", sa.Text(), nullable=False),
        sa.Column("ordered_on", sa.Text(), nullable=True),
        sa.Column("due_on", sa.Text(), nullable=True),
        sa.Column("before_step", sa.Text(), nullable=False),
        sa.Column("noted_at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("here_at", sa.Integer(), nullable=True),
        sa.Column("gone_at", sa.Integer(), nullable=True),
        sa.Column("overridden_at", sa.Integer(), nullable=True),
        sa.Column("overridden", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_parts_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(["copy_id"], ["copies.id"], name=op.f("fk_parts_copy_id_copies")),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_parts_order_id_orders")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parts")),
        sqlite_strict=True,
    )
    op.create_index("ix_parts_order_id", "parts", ["order_id"])


def _give_models_their_pose() -> None:
    """A model past its photos is in the pose of its copies, where they agree."""
    op.execute(
        "UPDATE models SET pose = (SELECT max(c.pose) FROM copies c WHERE c.model_id = models.id"
        " AND c.withdrawn = 0 AND c.step <> 'cancelled' AND c.pose <> ''"
        " GROUP BY c.model_id HAVING count(DISTINCT lower(c.pose)) = 1)"
        " WHERE step NOT IN ('photos_wanted', 'photos_in', 'building', 'assessing')"
    )
