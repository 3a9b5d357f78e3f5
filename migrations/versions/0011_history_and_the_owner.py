"""History brought in, and what the owner decides."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _history()
    _owner()
    _rest()


def _history() -> None:
    """Sheets brought in, their pieces, and what came along with them."""
    op.create_table(
        "imports",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("choices", sa.Text(), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("orders", sa.Integer(), nullable=False),
        sa.Column("left_out", sa.Integer(), nullable=False),
        sa.Column("taken_back_at", sa.Integer(), nullable=True),
        sa.Column("taken_back_by_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_imports_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["taken_back_by_id"], ["accounts.id"], name=op.f("fk_imports_taken_back_by_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_imports")),
        sqlite_strict=True,
    )
    op.create_table(
        "past_pieces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("order_key", sa.Integer(), nullable=False),
        sa.Column("reference", sa.Text(), nullable=False),
        sa.Column("size_mm", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("started_at", sa.Integer(), nullable=False),
        sa.Column("ended_at", sa.Integer(), nullable=False),
        sa.Column("cancelled", sa.Integer(), nullable=False),
        sa.Column("by_day", sa.Integer(), nullable=False),
        sa.Column("steps", sa.Text(), nullable=False),
        sa.CheckConstraint("started_at <= ended_at", name=op.f("ck_past_pieces_in_order")),
        sa.CheckConstraint("cancelled IN (0, 1)", name=op.f("ck_past_pieces_cancelled_flag")),
        sa.CheckConstraint("by_day IN (0, 1)", name=op.f("ck_past_pieces_by_day_flag")),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imports.id"], name=op.f("fk_past_pieces_import_id_imports")
        ),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customers.id"], name=op.f("fk_past_pieces_customer_id_customers")
        ),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animals.id"], name=op.f("fk_past_pieces_animal_id_animals")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_past_pieces")),
        sqlite_strict=True,
    )
    for column in ("import_id", "customer_id", "animal_id"):
        op.create_index(f"ix_past_pieces_{column}", "past_pieces", [column])
    for table in ("customers", "animals", "orders"):
        op.add_column(table, sa.Column("import_id", sa.Integer(), nullable=True))


def _owner() -> None:
    """What the owner asked, planned and decided."""
    op.create_table(
        "chances",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("needed_by", sa.Text(), nullable=False),
        sa.Column("thousandths", sa.Integer(), nullable=False),
        sa.CheckConstraint("thousandths BETWEEN 0 AND 1000", name=op.f("ck_chances_a_share")),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_chances_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_chances")),
        sa.UniqueConstraint("order_id", "day", name=op.f("uq_chances_order_id_day")),
        sqlite_strict=True,
    )
    op.create_table(
        "absences",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("machine_id", sa.Integer(), nullable=True),
        sa.Column("first_day", sa.Text(), nullable=False),
        sa.Column("last_day", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Integer(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("taken_back_at", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "(account_id IS NULL) <> (machine_id IS NULL)", name=op.f("ck_absences_of_one")
        ),
        sa.CheckConstraint("first_day <= last_day", name=op.f("ck_absences_forwards")),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_absences_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_absences_machine_id_machines")
        ),
        sa.ForeignKeyConstraint(
            ["made_by_id"], ["accounts.id"], name=op.f("fk_absences_made_by_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_absences")),
        sqlite_strict=True,
    )
    op.create_table(
        "what_ifs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("settings", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("found", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("asked_at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("done_at", sa.Integer(), nullable=True),
        sa.Column("made_on", sa.Text(), nullable=True),
        sa.Column("dropped_at", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "state IN ('waiting', 'done', 'failed')", name=op.f("ck_what_ifs_state_known")
        ),
        sa.CheckConstraint("name <> ''", name=op.f("ck_what_ifs_named")),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_what_ifs_account_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_what_ifs")),
        sqlite_strict=True,
    )


def _rest() -> None:
    """What the commission and the parcel still lacked."""
    op.add_column("parcels", sa.Column("usual_first", sa.Text(), nullable=True))
    op.add_column("parcels", sa.Column("usual_last", sa.Text(), nullable=True))
