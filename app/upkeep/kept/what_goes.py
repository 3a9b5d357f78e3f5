"""What goes of a person, column by column, and what stays of them because it names nobody.

Steps, moves and moments stay, so that the log still gives what it gave: lead times, dates told, the
track record. What people typed goes: names, addresses, notes, reasons. Where an empty text would
say something else than that there was one (a reason that an override needs, a question that was
asked), the word ERASED takes its place.

A test holds every column of text of every table to this list, so that a new one is decided upon.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import Table

from app import tables as t

ERASED = "erased"


@dataclass(frozen=True, slots=True)
class Goes:
    """What goes of the rows of a table: `emptied` columns, those that become ERASED where anything
    stands in them, those that are set, and those that stay. `whose` is the column by which a row
    is somebody's.
    """

    table: Table
    whose: str
    emptied: Sequence[str] = ()
    blotted: Sequence[str] = ()
    becomes: Mapping[str, str] = field(default_factory=dict)
    stays: Sequence[str] = ()


_OF_A_PIECE = ("aside_reason", "hold_reason")
_PIECE_STAYS = ("step", "hold_whose", "hold_look_on", "letter", "gates", "pose")

CHANGED: Sequence[Goes] = (
    Goes(t.customers, "customer",
         ("name_key", "address_as", "phone", "phone_digits", "note", "also_known_as"), ("name",),
         stays=("language",)),
    Goes(t.animals, "customer_id",
         ("name_key", "breed", "age_shown", "height", "colours", "note"), ("name",),
         stays=("kind", "sex", "life")),
    Goes(t.marks, "animal_id", ("place",), ("what",), stays=("side",)),
    Goes(t.colour_zones, "animal_id", ("note",),
         stays=("zone", "zone_key", "paint", "mix", "thinner", "layers", "chip")),
    Goes(t.orders, "customer_id",
         ("shop_reference", "gift_day", "needed_reason", "ship_name", "ship_lines", "ship_postcode",
          "ship_country", "ship_phone", "parcel_note", "note", "bench_note"),
         stays=("channel", "paid", "needed_by", "copy_deadline", "once", "approves")),
    Goes(t.waiting_list, "order_id", ("typed", "why"), stays=("typed_on", "begins_on")),
    Goes(t.questions, "order_id", blotted=("asked", "answer", "overridden"),
         stays=("topic", "channel", "before_step", "until_paid", "verdict")),
    Goes(t.parts, "order_id", ("what",), ("overridden",),
         stays=("kind", "supplier", "ordered_on", "due_on", "before_step")),
    Goes(t.photo_deliveries, "order_id", ("link",), stays=("way", "lapses_on")),
    Goes(t.letters, "order_id",
         ("facts", "subject", "recipient", "to_name", "remembered", "why"),
         stays=("state", "kind", "parts", "message_id", "tag", "claim")),
    Goes(t.news, "order_id", ("held_why", "line"), stays=("letter", "kind")),
    Goes(t.tellings, "order_id", blotted=("cause",),
         stays=("channel", "from_day", "to_day", "write_by", "basis", "answer")),
    Goes(t.belongings, "order_id", ("what", "shelf"), stays=("kind", "way", "once")),
    Goes(t.aftercare_cases, "order_id", ("words", "decision"),
         stays=("kind", "said_by", "claim_by", "decided", "once")),
    Goes(t.customer_words, "order_id", ("words", "show_what"),
         stays=("may_show", "show_on", "once")),
    Goes(t.models, "order_id", ("limits", "limits_agreed"), _OF_A_PIECE,
         stays=(*_PIECE_STAYS, "machine")),
    Goes(t.copies, "order_id", ("inscription", "bench_note"), _OF_A_PIECE,
         stays=(*_PIECE_STAYS, "base", "finish", "extras", "measured")),
    Goes(t.views_asked, "model_id", blotted=("wish",)),
    Goes(t.photo_checks, "model_id", ("graph",), becomes={"result": "{}"},
         stays=("set_key", "verdict", "thresholds_version")),
    Goes(t.transitions, "piece", blotted=("reason",),
         stays=("kind", "move", "from_step", "to_step", "time_is", "cause", "whose", "look_on",
                "once")),
    Goes(t.packed_pieces, "copy_id", blotted=("reason",)),
    Goes(t.parcels, "parcel", ("number", "number_key", "ship_to", "note"),
         stays=("way", "carrier", "inner_box", "outer_box", "usual_first", "usual_last")),
    Goes(t.changes, "change", ("before", "after"), stays=("of", "field", "asked_by")),
    Goes(t.past_pieces, "customer_id", ("reference", "note"), stays=("steps",)),
)  # fmt: skip

# Rows that go as a whole, those that others name last. What is under `pictures/` goes with them.
PHOTOS: Sequence[tuple[Table, str]] = (
    (t.picture_models, "picture_id"),
    (t.reference_views, "picture_id"),
    (t.pictures, "order_id"),
    (t.pictures_not_read, "delivery_id"),
    (t.aftercare_pictures, "case_id"),
)
REMOVED: Sequence[tuple[Table, str]] = (
    *PHOTOS,
    (t.released_pictures, "order_id"),
    (t.approval_pictures, "question_id"),
    (t.bench_pictures, "copy_id"),
    (t.parcel_pictures, "parcel_id"),
    (t.contacts, "customer_id"),
    (t.customer_mails, "customer_id"),
)

# Rows of nobody who orders, or that say nothing but numbers, days and steps.
NAMES_NOBODY: Sequence[Table] = (
    t.accounts, t.sessions, t.sign_in_links, t.sign_in_tries, t.house, t.settings, t.carriers,
    t.closures, t.step_texts, t.machines, t.batches, t.builds, t.imports, t.absences, t.what_ifs,
    t.chances, t.forecasts, t.order_animals, t.copy_companions, t.status_links, t.status_pages,
    t.findings, t.check_ticks, t.mark_ticks, t.aftercare_copies, t.let_go, t.drills,
)  # fmt: skip
