"""The bench, the packing table, the parcel, and what comes after."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _my_bench()
    _curing_and_batches()
    _findings()
    _packing()
    _carriers()
    _aftercare()
    _belongings()


def _my_bench() -> None:
    """Who stands at which bench."""
    op.add_column("accounts", sa.Column("pin_hash", sa.Text))


def _curing_and_batches() -> None:
    """What dries, and what lies in a machine together."""
    op.add_column("machines", sa.Column("makes", sa.Text(), nullable=True))
    op.create_table(
        "batches",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=True),
        sa.Column("material", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Integer(), nullable=False),
        sa.Column("ends_by", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_batches_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_batches_machine_id_machines")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_batches")),
        sqlite_strict=True,
    )
    op.create_index(
        "ix_transitions_batches", "transitions", ["amount"], sqlite_where=sa.text("move = 'batch'")
    )


def _findings() -> None:
    """What an inspection finds, and what it ticks."""
    op.create_table(
        "findings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=False),
        sa.Column("transition_id", sa.Integer(), nullable=False),
        sa.Column("area", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("found_by", sa.Text(), nullable=False),
        sa.Column("mark_id", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "severity IN ('light', 'mend', 'again')", name=op.f("ck_findings_severity_known")
        ),
        sa.CheckConstraint(
            "found_by IN ('here', 'customer')", name=op.f("ck_findings_found_by_known")
        ),
        sa.ForeignKeyConstraint(
            ["copy_id"], ["copies.id"], name=op.f("fk_findings_copy_id_copies")
        ),
        sa.ForeignKeyConstraint(
            ["transition_id"],
            ["transitions.id"],
            name=op.f("fk_findings_transition_id_transitions"),
        ),
        sa.ForeignKeyConstraint(["mark_id"], ["marks.id"], name=op.f("fk_findings_mark_id_marks")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_findings")),
        sqlite_strict=True,
    )
    op.create_index("ix_findings_copy_id", "findings", ["copy_id"])
    op.create_index("ix_findings_transition_id", "findings", ["transition_id"])
    op.create_table(
        "check_ticks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=False),
        sa.Column("transition_id", sa.Integer(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["copy_id"], ["copies.id"], name=op.f("fk_check_ticks_copy_id_copies")
        ),
        sa.ForeignKeyConstraint(
            ["transition_id"],
            ["transitions.id"],
            name=op.f("fk_check_ticks_transition_id_transitions"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_check_ticks")),
        sqlite_strict=True,
    )
    op.create_index("ix_check_ticks_copy_id", "check_ticks", ["copy_id"])
    op.create_table(
        "bench_pictures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=False),
        sa.Column("finding_id", sa.Integer(), nullable=True),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("taken_at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("gone_at", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["copy_id"], ["copies.id"], name=op.f("fk_bench_pictures_copy_id_copies")
        ),
        sa.ForeignKeyConstraint(
            ["finding_id"], ["findings.id"], name=op.f("fk_bench_pictures_finding_id_findings")
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_bench_pictures_account_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_pictures")),
        sqlite_strict=True,
    )
    op.create_index("ix_bench_pictures_copy_id", "bench_pictures", ["copy_id"])


def _packing() -> None:
    """Parcels before they leave: what is in them, and pictures of their state."""
    _parcels_before_they_leave()
    op.create_table(
        "packed_pieces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("parcel_id", sa.Integer(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=False),
        sa.Column("put_at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("out_at", sa.Integer(), nullable=True),
        sa.Column("length_mm", sa.Integer(), nullable=True),
        sa.Column("width_mm", sa.Integer(), nullable=True),
        sa.Column("height_mm", sa.Integer(), nullable=True),
        sa.Column("mounted", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.CheckConstraint("mounted IN (0, 1)", name=op.f("ck_packed_pieces_mounted_flag")),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_packed_pieces_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["copy_id"], ["copies.id"], name=op.f("fk_packed_pieces_copy_id_copies")
        ),
        sa.ForeignKeyConstraint(
            ["parcel_id"], ["parcels.id"], name=op.f("fk_packed_pieces_parcel_id_parcels")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_packed_pieces")),
        sqlite_strict=True,
    )
    op.create_index("ix_packed_pieces_copy_id", "packed_pieces", ["copy_id"])
    op.create_index("ix_packed_pieces_parcel_id", "packed_pieces", ["parcel_id"])
    op.create_table(
        "parcel_pictures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("parcel_id", sa.Integer(), nullable=False),
        sa.Column("of", sa.Text(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("original", sa.Text(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "of IN ('piece', 'cushion', 'closed', 'outer', 'label')",
            name=op.f("ck_parcel_pictures_of_known"),
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_parcel_pictures_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["parcel_id"], ["parcels.id"], name=op.f("fk_parcel_pictures_parcel_id_parcels")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parcel_pictures")),
        sqlite_strict=True,
    )
    op.create_index("ix_parcel_pictures_parcel_id", "parcel_pictures", ["parcel_id"])


def _parcels_before_they_leave() -> None:
    """A parcel is there before anybody knows when it leaves, and with whom.

    SQLite cannot take a NOT NULL away: the table is made anew. Foreign keys are off meanwhile.
    """
    op.execute("CREATE TEMP TABLE parcels_kept AS SELECT * FROM parcels")
    op.drop_table("parcels")
    op.create_table(
        "parcels",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("carrier", sa.Text(), nullable=False),
        sa.Column("number", sa.Text(), nullable=False),
        sa.Column("number_key", sa.Text(), nullable=False),
        sa.Column("ship_to", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("sent_at", sa.Integer(), nullable=True),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("taken_back_at", sa.Integer(), nullable=True),
        sa.Column("begun_at", sa.Integer(), nullable=True),
        sa.Column("sealed_at", sa.Integer(), nullable=True),
        sa.Column("packed_by_id", sa.Integer(), nullable=True),
        sa.Column("inner_box", sa.Text(), nullable=True),
        sa.Column("outer_box", sa.Text(), nullable=True),
        sa.Column("care_card", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "way IN ('carrier', 'collected', 'brought')", name=op.f("ck_parcels_way_known")
        ),
        sa.CheckConstraint(
            "sent_at IS NULL OR way <> 'carrier' OR carrier <> ''",
            name=op.f("ck_parcels_carrier_named"),
        ),
        sa.CheckConstraint("care_card IN (0, 1)", name=op.f("ck_parcels_care_card_flag")),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_parcels_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["packed_by_id"], ["accounts.id"], name=op.f("fk_parcels_packed_by_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parcels")),
        sqlite_strict=True,
    )
    kept = "id, way, carrier, number, number_key, ship_to, note, sent_at, account_id, taken_back_at"
    # The list is this file's own.
    op.execute(f"INSERT INTO parcels ({kept}) SELECT {kept} FROM parcels_kept")  # noqa: S608
    op.execute("DROP TABLE parcels_kept")
    op.create_index("ix_parcels_here", "parcels", ["id"], sqlite_where=sa.text("sent_at IS NULL"))


def _carriers() -> None:
    """Who carries parcels, and how long that usually takes; the names that were a setting."""
    op.create_table(
        "carriers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("tracking", sa.Text(), nullable=False),
        sa.Column("number_form", sa.Text(), nullable=False),
        sa.Column("days_are", sa.Text(), nullable=False),
        sa.Column("home", sa.Text(), nullable=False),
        sa.Column("abroad", sa.Text(), nullable=False),
        sa.Column("countries", sa.Text(), nullable=False),
        sa.Column("claim_days", sa.Integer(), nullable=True),
        sa.Column("texts", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("gone_at", sa.Integer(), nullable=True),
        sa.CheckConstraint("name <> ''", name=op.f("ck_carriers_named")),
        sa.CheckConstraint(
            "number_form IN ('none', 's10', 'sscc', 'digits22')",
            name=op.f("ck_carriers_number_form_known"),
        ),
        sa.CheckConstraint(
            "days_are IN ('working', 'calendar')", name=op.f("ck_carriers_days_are_known")
        ),
        sa.CheckConstraint("texts IN (0, 1)", name=op.f("ck_carriers_texts_flag")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_carriers")),
        sqlite_strict=True,
    )
    op.add_column("parcels", sa.Column("corrected_at", sa.Integer(), nullable=True))
    setting = sa.text("SELECT value FROM settings WHERE name = 'carriers'")
    said = op.get_bind().execute(setting).scalar()
    names = [name.strip() for name in json.loads(said).split(",")] if said else []
    add = sa.text(
        "INSERT INTO carriers (name, tracking, number_form, days_are, home, abroad, countries,"
        " texts, place) VALUES (:name, '', 'none', 'working', '', '', '', 0, :place)"
    )
    for place, name in enumerate(filter(None, names), 1):
        op.get_bind().execute(add, {"name": name, "place": place})
    op.execute("DELETE FROM settings WHERE name = 'carriers'")


def _aftercare() -> None:
    """What happens after a piece has left, and what its customer says of it."""
    op.create_table(
        "aftercare_cases",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("parcel_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("said_by", sa.Text(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("opened_at", sa.Integer(), nullable=False),
        sa.Column("opened_by_id", sa.Integer(), nullable=True),
        sa.Column("claim_by", sa.Text(), nullable=True),
        sa.Column("decided", sa.Text(), nullable=True),
        sa.Column("refund", sa.Integer(), nullable=False),
        sa.Column("decision", sa.Text(), nullable=False),
        sa.Column("decided_at", sa.Integer(), nullable=True),
        sa.Column("decided_by_id", sa.Integer(), nullable=True),
        sa.Column("here_at", sa.Integer(), nullable=True),
        sa.Column("closed_at", sa.Integer(), nullable=True),
        sa.Column("closed_by_id", sa.Integer(), nullable=True),
        sa.Column("once", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "kind IN ('lost', 'damaged', 'fault', 'returned')",
            name=op.f("ck_aftercare_cases_kind_known"),
        ),
        sa.CheckConstraint(
            "said_by IN ('customer', 'carrier', 'us')",
            name=op.f("ck_aftercare_cases_said_by_known"),
        ),
        sa.CheckConstraint("refund IN (0, 1)", name=op.f("ck_aftercare_cases_refund_flag")),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_aftercare_cases_order_id_orders")
        ),
        sa.ForeignKeyConstraint(
            ["parcel_id"], ["parcels.id"], name=op.f("fk_aftercare_cases_parcel_id_parcels")
        ),
        sa.ForeignKeyConstraint(
            ["opened_by_id"], ["accounts.id"], name=op.f("fk_aftercare_cases_opened_by_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["decided_by_id"],
            ["accounts.id"],
            name=op.f("fk_aftercare_cases_decided_by_id_accounts"),
        ),
        sa.ForeignKeyConstraint(
            ["closed_by_id"], ["accounts.id"], name=op.f("fk_aftercare_cases_closed_by_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_aftercare_cases")),
        sqlite_strict=True,
    )
    op.create_index("ix_aftercare_cases_order_id", "aftercare_cases", ["order_id"])
    op.create_index("ix_aftercare_cases_parcel_id", "aftercare_cases", ["parcel_id"])
    op.create_table(
        "aftercare_copies",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=False),
        sa.Column("made_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["case_id"],
            ["aftercare_cases.id"],
            name=op.f("fk_aftercare_copies_case_id_aftercare_cases"),
        ),
        sa.ForeignKeyConstraint(
            ["copy_id"], ["copies.id"], name=op.f("fk_aftercare_copies_copy_id_copies")
        ),
        sa.ForeignKeyConstraint(
            ["made_id"], ["copies.id"], name=op.f("fk_aftercare_copies_made_id_copies")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_aftercare_copies")),
        sa.UniqueConstraint("case_id", "copy_id", name=op.f("uq_aftercare_copies_case_id_copy_id")),
        sqlite_strict=True,
    )
    op.create_index("ix_aftercare_copies_copy_id", "aftercare_copies", ["copy_id"])
    op.create_index("ix_aftercare_copies_made_id", "aftercare_copies", ["made_id"])
    op.create_table(
        "aftercare_pictures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("gone_at", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["case_id"],
            ["aftercare_cases.id"],
            name=op.f("fk_aftercare_pictures_case_id_aftercare_cases"),
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_aftercare_pictures_account_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_aftercare_pictures")),
        sqlite_strict=True,
    )
    op.create_index("ix_aftercare_pictures_case_id", "aftercare_pictures", ["case_id"])
    op.create_table(
        "customer_words",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("said_at", sa.Integer(), nullable=False),
        sa.Column("noted_by_id", sa.Integer(), nullable=True),
        sa.Column("may_show", sa.Text(), nullable=False),
        sa.Column("show_what", sa.Text(), nullable=False),
        sa.Column("show_on", sa.Text(), nullable=True),
        sa.Column("gone_at", sa.Integer(), nullable=True),
        sa.Column("once", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "may_show IN ('not_asked', 'asked', 'yes', 'no')",
            name=op.f("ck_customer_words_may_show_known"),
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_customer_words_order_id_orders")
        ),
        sa.ForeignKeyConstraint(
            ["noted_by_id"], ["accounts.id"], name=op.f("fk_customer_words_noted_by_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customer_words")),
        sqlite_strict=True,
    )
    op.create_index("ix_customer_words_order_id", "customer_words", ["order_id"])


def _belongings() -> None:
    """What customers lent."""
    op.create_table(
        "belongings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("order_animal_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("shelf", sa.Text(), nullable=False),
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("received_at", sa.Integer(), nullable=False),
        sa.Column("received_by_id", sa.Integer(), nullable=True),
        sa.Column("returned_at", sa.Integer(), nullable=True),
        sa.Column("returned_by_id", sa.Integer(), nullable=True),
        sa.Column("parcel_id", sa.Integer(), nullable=True),
        sa.Column("back_from_id", sa.Integer(), nullable=True),
        sa.Column("gone_at", sa.Integer(), nullable=True),
        sa.Column("once", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "kind IN ('collar', 'hair', 'ashes', 'prints', 'other')",
            name=op.f("ck_belongings_kind_known"),
        ),
        sa.CheckConstraint(
            "way IN ('parcel', 'hand', 'post')", name=op.f("ck_belongings_way_known")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_belongings_order_id_orders")
        ),
        sa.ForeignKeyConstraint(
            ["order_animal_id"],
            ["order_animals.id"],
            name=op.f("fk_belongings_order_animal_id_order_animals"),
        ),
        sa.ForeignKeyConstraint(
            ["received_by_id"], ["accounts.id"], name=op.f("fk_belongings_received_by_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["returned_by_id"], ["accounts.id"], name=op.f("fk_belongings_returned_by_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["parcel_id"], ["parcels.id"], name=op.f("fk_belongings_parcel_id_parcels")
        ),
        sa.ForeignKeyConstraint(
            ["back_from_id"], ["parcels.id"], name=op.f("fk_belongings_back_from_id_parcels")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_belongings")),
        sa.UniqueConstraint("once", name=op.f("uq_belongings_once")),
        sqlite_strict=True,
    )
    op.create_index("ix_belongings_order_id", "belongings", ["order_id"])
    op.create_index("ix_belongings_parcel_id", "belongings", ["parcel_id"])
