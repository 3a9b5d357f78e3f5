"""A book with a limit, and what a studio needs to move in, to be kept and to leave."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _book()
    _moving_in()
    _kept()


def _book() -> None:
    """Who waits to be taken on."""
    op.create_table(
        "waiting_list",
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("put_at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("typed", sa.Text(), nullable=False),
        sa.Column("typed_on", sa.Text(), nullable=False),
        sa.Column("copies", sa.Integer(), nullable=False),
        sa.Column("begins_on", sa.Text(), nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("began_at", sa.Integer(), nullable=True),
        sa.Column("off_at", sa.Integer(), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "began_at IS NULL OR off_at IS NULL", name=op.f("ck_waiting_list_one_end")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_waiting_list_order_id_orders")
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_waiting_list_account_id_accounts")
        ),
        sa.PrimaryKeyConstraint("order_id", name=op.f("pk_waiting_list")),
        sqlite_strict=True,
    )


def _moving_in() -> None:
    """What is set up in a browser."""


def _kept() -> None:
    """What is kept, for how long, and what is gone."""
    op.create_table(
        "let_go",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=True),
        sa.Column("amount", sa.Integer(), nullable=False),
        sa.Column("again", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "what IN ('person', 'photos', 'letters')", name=op.f("ck_let_go_what_known")
        ),
        sa.CheckConstraint("again IN (0, 1)", name=op.f("ck_let_go_again_flag")),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_let_go_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customers.id"], name=op.f("fk_let_go_customer_id_customers")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_let_go")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_let_go_customer_id"), "let_go", ["customer_id"])
    op.add_column("customers", sa.Column("erased_at", sa.Integer(), nullable=True))
    op.create_table(
        "drills",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("backup_at", sa.Integer(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drills")),
        sqlite_strict=True,
    )
