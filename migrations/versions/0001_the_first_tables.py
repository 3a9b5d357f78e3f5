"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "accounts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Integer(), nullable=False),
        sa.Column("off_at", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "role IN ('owner', 'desk', 'bench')", name=op.f("ck_accounts_role_known")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_accounts")),
        sqlite_strict=True,
    )
    op.create_table(
        "closures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("first_day", sa.Text(), nullable=False),
        sa.Column("last_day", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("taken_back_at", sa.Integer(), nullable=True),
        sa.CheckConstraint("first_day <= last_day", name=op.f("ck_closures_forwards")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_closures")),
        sqlite_strict=True,
    )
    op.create_table(
        "customers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("address_as", sa.Text(), nullable=False),
        sa.Column("language", sa.Text(), nullable=False),
        sa.Column("phone", sa.Text(), nullable=False),
        sa.Column("phone_digits", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("also_known_as", sa.Text(), nullable=False),
        sa.Column("joined_into_id", sa.Integer(), nullable=True),
        sa.Column("made_at", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["joined_into_id"], ["customers.id"], name=op.f("fk_customers_joined_into_id_customers")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customers")),
        sqlite_strict=True,
    )
    op.create_table(
        "house",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("demo", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.Integer(), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_house_only_one")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_house")),
        sqlite_strict=True,
    )
    op.create_table(
        "machines",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("places", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.Integer(), nullable=False),
        sa.Column("off_at", sa.Integer(), nullable=True),
        sa.CheckConstraint("places BETWEEN 1 AND 99", name=op.f("ck_machines_places_believable")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machines")),
        sa.UniqueConstraint("name_key", name=op.f("uq_machines_name_key")),
        sqlite_strict=True,
    )
    op.create_table(
        "sign_in_tries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_tries")),
        sqlite_strict=True,
    )
    op.create_table(
        "step_texts",
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("done_when", sa.Text(), nullable=False),
        sa.Column("watch_out", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("step", name=op.f("pk_step_texts")),
        sqlite_strict=True,
    )
    op.create_table(
        "animals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("breed", sa.Text(), nullable=False),
        sa.Column("sex", sa.Text(), nullable=False),
        sa.Column("age_shown", sa.Text(), nullable=False),
        sa.Column("height", sa.Text(), nullable=False),
        sa.Column("colours", sa.Text(), nullable=False),
        sa.Column("life", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "life IN ('living', 'remembered', 'not_said')", name=op.f("ck_animals_life_known")
        ),
        sa.CheckConstraint(
            "sex IN ('female', 'male', 'not_said')", name=op.f("ck_animals_sex_known")
        ),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customers.id"], name=op.f("fk_animals_customer_id_customers")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_animals")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_animals_customer_id"), "animals", ["customer_id"], unique=False)
    op.create_table(
        "customer_mails",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=False),
        sa.Column("mail", sa.Text(), nullable=False),
        sa.Column("mail_key", sa.Text(), nullable=False),
        sa.Column("receives", sa.Integer(), nullable=False),
        sa.CheckConstraint("receives IN (0, 1)", name=op.f("ck_customer_mails_receives_flag")),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customers.id"], name=op.f("fk_customer_mails_customer_id_customers")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customer_mails")),
        sa.UniqueConstraint(
            "customer_id", "mail_key", name=op.f("uq_customer_mails_customer_id_mail_key")
        ),
        sqlite_strict=True,
    )
    op.create_table(
        "orders",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=False),
        sa.Column("shop_reference", sa.Text(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("taken_at", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.Integer(), nullable=False),
        sa.Column("imported", sa.Integer(), nullable=False),
        sa.Column("open", sa.Integer(), nullable=False),
        sa.Column("paid", sa.Text(), nullable=False),
        sa.Column("gift", sa.Integer(), nullable=False),
        sa.Column("gift_day", sa.Text(), nullable=True),
        sa.Column("needed_by", sa.Text(), nullable=True),
        sa.Column("needed_reason", sa.Text(), nullable=False),
        sa.Column("ship_name", sa.Text(), nullable=False),
        sa.Column("ship_lines", sa.Text(), nullable=False),
        sa.Column("ship_postcode", sa.Text(), nullable=False),
        sa.Column("ship_country", sa.Text(), nullable=False),
        sa.Column("ship_phone", sa.Text(), nullable=False),
        sa.Column("address_confirmed_at", sa.Integer(), nullable=True),
        sa.Column("ship_part", sa.Integer(), nullable=False),
        sa.Column("parcel_note", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("copy_deadline", sa.Text(), nullable=True),
        sa.Column("once", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "channel IN ('shop', 'phone', 'mail', 'in_person', 'other')",
            name=op.f("ck_orders_channel_known"),
        ),
        sa.CheckConstraint("paid IN ('none', 'part', 'all')", name=op.f("ck_orders_paid_known")),
        sa.CheckConstraint("gift IN (0, 1)", name=op.f("ck_orders_gift_flag")),
        sa.CheckConstraint("imported IN (0, 1)", name=op.f("ck_orders_imported_flag")),
        sa.CheckConstraint("open IN (0, 1)", name=op.f("ck_orders_open_flag")),
        sa.CheckConstraint("ship_part IN (0, 1)", name=op.f("ck_orders_ship_part_flag")),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customers.id"], name=op.f("fk_orders_customer_id_customers")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_orders")),
        sa.UniqueConstraint("number", name=op.f("uq_orders_number")),
        sa.UniqueConstraint("once", name=op.f("uq_orders_once")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_orders_customer_id"), "orders", ["customer_id"], unique=False)
    op.create_table(
        "parcels",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("carrier", sa.Text(), nullable=False),
        sa.Column("number", sa.Text(), nullable=False),
        sa.Column("number_key", sa.Text(), nullable=False),
        sa.Column("ship_to", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("sent_at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("taken_back_at", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "way <> 'carrier' OR carrier <> ''", name=op.f("ck_parcels_carrier_named")
        ),
        sa.CheckConstraint(
            "way IN ('carrier', 'collected', 'brought')", name=op.f("ck_parcels_way_known")
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_parcels_account_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parcels")),
        sqlite_strict=True,
    )
    op.create_table(
        "sessions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.Text(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.Integer(), nullable=False),
        sa.Column("seen_at", sa.Integer(), nullable=False),
        sa.Column("ended_at", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_sessions_account_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sessions")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_sessions_token_hash")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_sessions_account_id"), "sessions", ["account_id"], unique=False)
    op.create_table(
        "settings",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Integer(), nullable=False),
        sa.Column("changed_by_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["changed_by_id"], ["accounts.id"], name=op.f("fk_settings_changed_by_id_accounts")
        ),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_settings")),
        sqlite_strict=True,
    )
    op.create_table(
        "sign_in_links",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("made_at", sa.Integer(), nullable=False),
        sa.Column("lapses_at", sa.Integer(), nullable=False),
        sa.Column("uses", sa.Integer(), nullable=False),
        sa.Column("used_at", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "purpose IN ('first', 'invitation', 'way_back', 'demo')",
            name=op.f("ck_sign_in_links_purpose_known"),
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_sign_in_links_account_id_accounts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_links")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_sign_in_links_token_hash")),
        sqlite_strict=True,
    )
    op.create_table(
        "changes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("of", sa.Text(), nullable=False),
        sa.Column("of_id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=True),
        sa.Column("field", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_changes_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_changes_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_changes")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_changes_order_id"), "changes", ["order_id"], unique=False)
    op.create_table(
        "contacts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("asked", sa.Text(), nullable=False),
        sa.Column("told", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_contacts_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customers.id"], name=op.f("fk_contacts_customer_id_customers")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_contacts_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_contacts")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_contacts_customer_id"), "contacts", ["customer_id"], unique=False)
    op.create_index(op.f("ix_contacts_order_id"), "contacts", ["order_id"], unique=False)
    op.create_table(
        "forecasts",
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("computed_at", sa.Integer(), nullable=False),
        sa.Column("points", sa.Text(), nullable=False),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("inputs", sa.Text(), nullable=False),
        sa.Column("stale", sa.Integer(), nullable=False),
        sa.Column("later_since", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_forecasts_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("order_id", name=op.f("pk_forecasts")),
        sqlite_strict=True,
    )
    op.create_table(
        "letters",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("parts", sa.Text(), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("recipient", sa.Text(), nullable=False),
        sa.Column("to_name", sa.Text(), nullable=False),
        sa.Column("gift", sa.Integer(), nullable=False),
        sa.Column("remembered", sa.Text(), nullable=False),
        sa.Column("message_id", sa.Text(), nullable=False),
        sa.Column("tag", sa.Text(), nullable=False),
        sa.Column("formed_at", sa.Integer(), nullable=False),
        sa.Column("next_at", sa.Integer(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("claim", sa.Text(), nullable=False),
        sa.Column("lease_until", sa.Integer(), nullable=True),
        sa.Column("sent_at", sa.Integer(), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "state IN ('waiting', 'sending', 'sent', 'dead', 'held', 'dropped')",
            name=op.f("ck_letters_state_known"),
        ),
        sa.CheckConstraint("gift IN (0, 1)", name=op.f("ck_letters_gift_flag")),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_letters_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_letters_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_letters")),
        sa.UniqueConstraint("message_id", name=op.f("uq_letters_message_id")),
        sqlite_strict=True,
    )
    op.create_index("ix_letters_by_state", "letters", ["state", "id"], unique=False)
    op.create_index(op.f("ix_letters_order_id"), "letters", ["order_id"], unique=False)
    op.create_index(
        "ix_letters_to_send",
        "letters",
        ["next_at"],
        unique=False,
        sqlite_where=sa.text("state IN ('waiting', 'sending')"),
    )
    op.create_table(
        "marks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("side", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("must", sa.Integer(), nullable=False),
        sa.Column("gone_at", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "side IN ('left', 'right', 'both', 'none', 'not_asked')",
            name=op.f("ck_marks_side_known"),
        ),
        sa.CheckConstraint("must IN (0, 1)", name=op.f("ck_marks_must_flag")),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animals.id"], name=op.f("fk_marks_animal_id_animals")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_marks")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_marks_animal_id"), "marks", ["animal_id"], unique=False)
    op.create_table(
        "models",
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("entered_at", sa.Integer(), nullable=False),
        sa.Column("last_at", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("open", sa.Integer(), nullable=False),
        sa.Column("in_hand", sa.Integer(), nullable=False),
        sa.Column("hand_id", sa.Integer(), nullable=True),
        sa.Column("aside_until", sa.Integer(), nullable=True),
        sa.Column("aside_reason", sa.Text(), nullable=False),
        sa.Column("hold_reason", sa.Text(), nullable=False),
        sa.Column("hold_whose", sa.Text(), nullable=False),
        sa.Column("hold_look_on", sa.Text(), nullable=True),
        sa.Column("asking", sa.Integer(), nullable=False),
        sa.Column("told_at", sa.Integer(), nullable=True),
        sa.Column("counted_at", sa.Integer(), nullable=True),
        sa.Column("passed_at", sa.Integer(), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("reworks", sa.Integer(), nullable=False),
        sa.Column("rests_until", sa.Integer(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("letter", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("follows_id", sa.Integer(), nullable=True),
        sa.Column("pictures", sa.Integer(), nullable=True),
        sa.Column("limits", sa.Text(), nullable=False),
        sa.Column("limits_agreed", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("build_ends_at", sa.Integer(), nullable=True),
        sa.CheckConstraint("open IN (0, 1)", name=op.f("ck_models_open_flag")),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animals.id"], name=op.f("fk_models_animal_id_animals")
        ),
        sa.ForeignKeyConstraint(
            ["follows_id"], ["models.id"], name=op.f("fk_models_follows_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["hand_id"], ["accounts.id"], name=op.f("fk_models_hand_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_models_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_models")),
        sa.UniqueConstraint(
            "order_id", "letter", "number", name=op.f("uq_models_order_id_letter_number")
        ),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_models_animal_id"), "models", ["animal_id"], unique=False)
    op.create_index(
        "ix_models_at_work",
        "models",
        ["step", "entered_at"],
        unique=False,
        sqlite_where=sa.text("open = 1"),
    )
    op.create_table(
        "status_links",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("nonce", sa.Text(), nullable=False),
        sa.Column("token_hash", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Integer(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("revoked_at", sa.Integer(), nullable=True),
        sa.Column("lapses_at", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["made_by_id"], ["accounts.id"], name=op.f("fk_status_links_made_by_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_status_links_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_status_links")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_status_links_token_hash")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_status_links_order_id"), "status_links", ["order_id"], unique=False)
    op.create_table(
        "status_pages",
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("wanted", sa.Integer(), nullable=False),
        sa.Column("written", sa.Integer(), nullable=False),
        sa.Column("written_at", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_status_pages_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("order_id", name=op.f("pk_status_pages")),
        sqlite_strict=True,
    )
    op.create_table(
        "tellings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("from_day", sa.Text(), nullable=True),
        sa.Column("to_day", sa.Text(), nullable=True),
        sa.Column("write_by", sa.Text(), nullable=True),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("steps_seen", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_tellings_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_tellings_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tellings")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_tellings_order_id"), "tellings", ["order_id"], unique=False)
    op.create_table(
        "order_animals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("letter", sa.Text(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animals.id"], name=op.f("fk_order_animals_animal_id_animals")
        ),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_order_animals_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_order_animals_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order_animals")),
        sa.UniqueConstraint("order_id", "letter", name=op.f("uq_order_animals_order_id_letter")),
        sqlite_strict=True,
    )
    op.create_index(
        op.f("ix_order_animals_animal_id"), "order_animals", ["animal_id"], unique=False
    )
    op.create_index(op.f("ix_order_animals_model_id"), "order_animals", ["model_id"], unique=False)
    op.create_table(
        "photo_checks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("begun_at", sa.Integer(), nullable=False),
        sa.Column("ended_at", sa.Integer(), nullable=False),
        sa.Column("set_key", sa.Text(), nullable=False),
        sa.Column("pictures", sa.Integer(), nullable=False),
        sa.Column("remembered", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("thresholds_version", sa.Text(), nullable=False),
        sa.Column("result", sa.Text(), nullable=False),
        sa.Column("graph", sa.Text(), nullable=False),
        sa.CheckConstraint("remembered IN (0, 1)", name=op.f("ck_photo_checks_remembered_flag")),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_photo_checks_model_id_models")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo_checks")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_photo_checks_model_id"), "photo_checks", ["model_id"], unique=False)
    op.create_table(
        "photo_deliveries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=True),
        sa.Column("told_at", sa.Integer(), nullable=False),
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("link", sa.Text(), nullable=False),
        sa.Column("lapses_on", sa.Text(), nullable=True),
        sa.Column("files_said", sa.Integer(), nullable=True),
        sa.Column("fetched_at", sa.Integer(), nullable=True),
        sa.Column("files_counted", sa.Integer(), nullable=True),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_photo_deliveries_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_photo_deliveries_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_photo_deliveries_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo_deliveries")),
        sqlite_strict=True,
    )
    op.create_index(
        op.f("ix_photo_deliveries_order_id"), "photo_deliveries", ["order_id"], unique=False
    )
    op.create_table(
        "released_pictures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("shows", sa.Text(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("released_at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("taken_back_at", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "shows IN ('model', 'painting')", name=op.f("ck_released_pictures_shows_known")
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_released_pictures_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_released_pictures_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_released_pictures_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_released_pictures")),
        sqlite_strict=True,
    )
    op.create_index(
        "ix_released_pictures_live",
        "released_pictures",
        ["order_id"],
        unique=True,
        sqlite_where=sa.text("taken_back_at IS NULL"),
    )
    op.create_index(
        op.f("ix_released_pictures_order_id"), "released_pictures", ["order_id"], unique=False
    )
    op.create_table(
        "views_asked",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("wish", sa.Text(), nullable=False),
        sa.Column("asked_at", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_views_asked_model_id_models")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_views_asked")),
        sa.UniqueConstraint(
            "model_id", "attempt", "number", name=op.f("uq_views_asked_model_id_attempt_number")
        ),
        sqlite_strict=True,
    )
    op.create_table(
        "copies",
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("entered_at", sa.Integer(), nullable=False),
        sa.Column("last_at", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("open", sa.Integer(), nullable=False),
        sa.Column("in_hand", sa.Integer(), nullable=False),
        sa.Column("hand_id", sa.Integer(), nullable=True),
        sa.Column("aside_until", sa.Integer(), nullable=True),
        sa.Column("aside_reason", sa.Text(), nullable=False),
        sa.Column("hold_reason", sa.Text(), nullable=False),
        sa.Column("hold_whose", sa.Text(), nullable=False),
        sa.Column("hold_look_on", sa.Text(), nullable=True),
        sa.Column("asking", sa.Integer(), nullable=False),
        sa.Column("told_at", sa.Integer(), nullable=True),
        sa.Column("counted_at", sa.Integer(), nullable=True),
        sa.Column("passed_at", sa.Integer(), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("reworks", sa.Integer(), nullable=False),
        sa.Column("rests_until", sa.Integer(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("order_animal_id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("letter", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("making", sa.Integer(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Integer(), nullable=False),
        sa.Column("size_mm", sa.Integer(), nullable=True),
        sa.Column("pose", sa.Text(), nullable=False),
        sa.Column("base", sa.Text(), nullable=False),
        sa.Column("finish", sa.Text(), nullable=False),
        sa.Column("inscription", sa.Text(), nullable=False),
        sa.Column("spelling_confirmed_at", sa.Integer(), nullable=True),
        sa.Column("extras", sa.Text(), nullable=False),
        sa.Column("bench_note", sa.Text(), nullable=False),
        sa.Column("parcel_id", sa.Integer(), nullable=True),
        sa.CheckConstraint("open IN (0, 1)", name=op.f("ck_copies_open_flag")),
        sa.CheckConstraint(
            "size_mm IS NULL OR size_mm BETWEEN 5 AND 2000", name=op.f("ck_copies_size_believable")
        ),
        sa.ForeignKeyConstraint(
            ["hand_id"], ["accounts.id"], name=op.f("fk_copies_hand_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_copies_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["order_animal_id"],
            ["order_animals.id"],
            name=op.f("fk_copies_order_animal_id_order_animals"),
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_copies_order_id_orders")
        ),
        sa.ForeignKeyConstraint(
            ["parcel_id"], ["parcels.id"], name=op.f("fk_copies_parcel_id_parcels")
        ),
        sa.ForeignKeyConstraint(
            ["replaces_id"], ["copies.id"], name=op.f("fk_copies_replaces_id_copies")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_copies")),
        sa.UniqueConstraint(
            "order_id",
            "letter",
            "number",
            "making",
            name=op.f("uq_copies_order_id_letter_number_making"),
        ),
        sqlite_strict=True,
    )
    op.create_index(
        "ix_copies_at_work",
        "copies",
        ["step", "entered_at"],
        unique=False,
        sqlite_where=sa.text("open = 1"),
    )
    op.create_index(op.f("ix_copies_model_id"), "copies", ["model_id"], unique=False)
    op.create_index(op.f("ix_copies_order_animal_id"), "copies", ["order_animal_id"], unique=False)
    op.create_index(op.f("ix_copies_parcel_id"), "copies", ["parcel_id"], unique=False)
    op.create_table(
        "pictures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("format", sa.Text(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("taken", sa.Text(), nullable=False),
        sa.Column("came_at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_pictures_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["delivery_id"],
            ["photo_deliveries.id"],
            name=op.f("fk_pictures_delivery_id_photo_deliveries"),
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_pictures_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pictures")),
        sa.UniqueConstraint("order_id", "sha256", name=op.f("uq_pictures_order_id_sha256")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_pictures_delivery_id"), "pictures", ["delivery_id"], unique=False)
    op.create_table(
        "pictures_not_read",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("problem", sa.Text(), nullable=False),
        sa.Column("came_at", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["delivery_id"],
            ["photo_deliveries.id"],
            name=op.f("fk_pictures_not_read_delivery_id_photo_deliveries"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pictures_not_read")),
        sa.UniqueConstraint(
            "delivery_id",
            "name",
            "problem",
            name=op.f("uq_pictures_not_read_delivery_id_name_problem"),
        ),
        sqlite_strict=True,
    )
    op.create_table(
        "picture_models",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("picture_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_picture_models_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["picture_id"], ["pictures.id"], name=op.f("fk_picture_models_picture_id_pictures")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_picture_models")),
        sa.UniqueConstraint(
            "model_id", "picture_id", name=op.f("uq_picture_models_model_id_picture_id")
        ),
        sqlite_strict=True,
    )
    op.create_index(
        op.f("ix_picture_models_picture_id"), "picture_models", ["picture_id"], unique=False
    )
    op.create_table(
        "questions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=True),
        sa.Column("copy_id", sa.Integer(), nullable=True),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("asked", sa.Text(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("blocking", sa.Integer(), nullable=False),
        sa.Column("asked_at", sa.Integer(), nullable=False),
        sa.Column("asked_by_id", sa.Integer(), nullable=True),
        sa.Column("answered_at", sa.Integer(), nullable=True),
        sa.Column("answered_by_id", sa.Integer(), nullable=True),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("dropped", sa.Integer(), nullable=False),
        sa.CheckConstraint("blocking IN (0, 1)", name=op.f("ck_questions_blocking_flag")),
        sa.ForeignKeyConstraint(
            ["answered_by_id"], ["accounts.id"], name=op.f("fk_questions_answered_by_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["asked_by_id"], ["accounts.id"], name=op.f("fk_questions_asked_by_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["copy_id"], ["copies.id"], name=op.f("fk_questions_copy_id_copies")
        ),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_questions_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.id"], name=op.f("fk_questions_order_id_orders")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_questions")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_questions_order_id"), "questions", ["order_id"], unique=False)
    op.create_table(
        "reference_views",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("view", sa.Text(), nullable=False),
        sa.Column("mark_id", sa.Integer(), nullable=True),
        sa.Column("picture_id", sa.Integer(), nullable=False),
        sa.Column("crop_left", sa.Integer(), nullable=False),
        sa.Column("crop_top", sa.Integer(), nullable=False),
        sa.Column("crop_right", sa.Integer(), nullable=False),
        sa.Column("crop_bottom", sa.Integer(), nullable=False),
        sa.Column("chosen_at", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "(view = 'mark') = (mark_id IS NOT NULL)", name=op.f("ck_reference_views_mark_named")
        ),
        sa.CheckConstraint(
            "view IN ('left', 'right', 'front', 'back', 'above', 'face', 'mark')",
            name=op.f("ck_reference_views_view_known"),
        ),
        sa.CheckConstraint(
            "0 <= crop_left AND crop_left < crop_right AND crop_right <= 1000 AND 0 <= crop_top AND crop_top < crop_bottom AND crop_bottom <= 1000",
            name=op.f("ck_reference_views_crop_inside"),
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_reference_views_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["mark_id"], ["marks.id"], name=op.f("fk_reference_views_mark_id_marks")
        ),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_reference_views_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["picture_id"], ["pictures.id"], name=op.f("fk_reference_views_picture_id_pictures")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reference_views")),
        sqlite_strict=True,
    )
    op.create_index(
        op.f("ix_reference_views_model_id"), "reference_views", ["model_id"], unique=False
    )
    op.create_table(
        "transitions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("act", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=True),
        sa.Column("copy_id", sa.Integer(), nullable=True),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("move", sa.Text(), nullable=False),
        sa.Column("from_step", sa.Text(), nullable=True),
        sa.Column("to_step", sa.Text(), nullable=True),
        sa.Column("happened_at", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.Integer(), nullable=False),
        sa.Column("time_is", sa.Text(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("whose", sa.Text(), nullable=False),
        sa.Column("until", sa.Integer(), nullable=True),
        sa.Column("look_on", sa.Text(), nullable=True),
        sa.Column("amount", sa.Integer(), nullable=True),
        sa.Column("question_id", sa.Integer(), nullable=True),
        sa.Column("about_id", sa.Integer(), nullable=True),
        sa.Column("once", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "kind IN ('enter', 'move', 'start', 'aside', 'hold', 'lift', 'ask', 'answer', 'told', 'finding', 'undo', 'correction')",
            name=op.f("ck_transitions_kind_known"),
        ),
        sa.CheckConstraint(
            "time_is IN ('pressed', 'typed', 'assumed', 'imported')",
            name=op.f("ck_transitions_time_is_known"),
        ),
        sa.CheckConstraint(
            "(model_id IS NULL) <> (copy_id IS NULL)", name=op.f("ck_transitions_one_piece")
        ),
        sa.CheckConstraint(
            "happened_at <= recorded_at", name=op.f("ck_transitions_not_in_the_future")
        ),
        sa.ForeignKeyConstraint(
            ["about_id"], ["transitions.id"], name=op.f("fk_transitions_about_id_transitions")
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_transitions_account_id_accounts")
        ),
        sa.ForeignKeyConstraint(
            ["copy_id"], ["copies.id"], name=op.f("fk_transitions_copy_id_copies")
        ),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_transitions_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["question_id"], ["questions.id"], name=op.f("fk_transitions_question_id_questions")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_transitions")),
        sa.UniqueConstraint("copy_id", "once", name=op.f("uq_transitions_copy_id_once")),
        sa.UniqueConstraint("copy_id", "seq", name=op.f("uq_transitions_copy_id_seq")),
        sa.UniqueConstraint("model_id", "once", name=op.f("uq_transitions_model_id_once")),
        sa.UniqueConstraint("model_id", "seq", name=op.f("uq_transitions_model_id_seq")),
        sqlite_strict=True,
    )
    op.create_table(
        "builds",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("transition_id", sa.Integer(), nullable=False),
        sa.Column("ends_from", sa.Integer(), nullable=False),
        sa.Column("ends_by", sa.Integer(), nullable=False),
        sa.CheckConstraint("ends_from <= ends_by", name=op.f("ck_builds_forwards")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_builds_machine_id_machines")
        ),
        sa.ForeignKeyConstraint(
            ["model_id"], ["models.id"], name=op.f("fk_builds_model_id_models")
        ),
        sa.ForeignKeyConstraint(
            ["transition_id"], ["transitions.id"], name=op.f("fk_builds_transition_id_transitions")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_builds")),
        sa.UniqueConstraint("transition_id", name=op.f("uq_builds_transition_id")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_builds_model_id"), "builds", ["model_id"], unique=False)
    op.create_table(
        "mark_ticks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=False),
        sa.Column("mark_id", sa.Integer(), nullable=False),
        sa.Column("transition_id", sa.Integer(), nullable=False),
        sa.Column("good", sa.Integer(), nullable=False),
        sa.CheckConstraint("good IN (0, 1)", name=op.f("ck_mark_ticks_good_flag")),
        sa.ForeignKeyConstraint(
            ["copy_id"], ["copies.id"], name=op.f("fk_mark_ticks_copy_id_copies")
        ),
        sa.ForeignKeyConstraint(
            ["mark_id"], ["marks.id"], name=op.f("fk_mark_ticks_mark_id_marks")
        ),
        sa.ForeignKeyConstraint(
            ["transition_id"],
            ["transitions.id"],
            name=op.f("fk_mark_ticks_transition_id_transitions"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mark_ticks")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_mark_ticks_copy_id"), "mark_ticks", ["copy_id"], unique=False)
    op.create_table(
        "news",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("letter", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("at", sa.Integer(), nullable=False),
        sa.Column("transition_id", sa.Integer(), nullable=True),
        sa.Column("taken_back_at", sa.Integer(), nullable=True),
        sa.Column("told_at", sa.Integer(), nullable=True),
        sa.Column("letter_id", sa.Integer(), nullable=True),
        sa.Column("held_at", sa.Integer(), nullable=True),
        sa.Column("held_why", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["letter_id"], ["letters.id"], name=op.f("fk_news_letter_id_letters")
        ),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_news_order_id_orders")),
        sa.ForeignKeyConstraint(
            ["transition_id"], ["transitions.id"], name=op.f("fk_news_transition_id_transitions")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_news")),
        sa.UniqueConstraint(
            "order_id", "letter", "kind", "round", name=op.f("uq_news_order_id_letter_kind_round")
        ),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_news_letter_id"), "news", ["letter_id"], unique=False)
    op.create_index(op.f("ix_news_order_id"), "news", ["order_id"], unique=False)
    op.create_index(
        "ix_news_to_tell",
        "news",
        ["order_id"],
        unique=False,
        sqlite_where=sa.text("told_at IS NULL AND taken_back_at IS NULL"),
    )
