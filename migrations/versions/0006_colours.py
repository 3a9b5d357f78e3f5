"""How the colours of an animal were mixed, zone by zone."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "colour_zones",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("zone_key", sa.Text(), nullable=False),
        sa.Column("paint", sa.Text(), nullable=False),
        sa.Column("mix", sa.Text(), nullable=False),
        sa.Column("thinner", sa.Text(), nullable=False),
        sa.Column("layers", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("chip", sa.Text(), nullable=True),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("gone_at", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_colour_zones_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animals.id"], name=op.f("fk_colour_zones_animal_id_animals")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_colour_zones")),
        sqlite_strict=True,
    )
    op.create_index("ix_colour_zones_animal_id", "colour_zones", ["animal_id"])
    op.create_index(
        "ix_colour_zones_now",
        "colour_zones",
        ["animal_id", "zone_key"],
        unique=True,
        sqlite_where=sa.text("gone_at IS NULL"),
    )
