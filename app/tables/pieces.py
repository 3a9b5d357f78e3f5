"""Models, copies, and the log of what happened to them.

The cached columns of a piece (PieceColumns) are what folding its log gives; `likewright audit`
folds again and compares.
"""

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlmodel import SQLModel

from app.tables.columns import (
    STRICT,
    flag,
    key,
    moment_or_none,
    one_of,
    text,
    text_or_none,
    to,
    to_or_none,
    whole,
    whole_or_none,
)


class PieceColumns(SQLModel):
    """Where a piece stands. `version` counts the entries of its log."""

    step: str = text(None)
    entered_at: int = whole(None)
    last_at: int = whole(None)
    version: int = whole(0)
    open: int = whole(1)
    in_hand: int = whole(0)
    hand_id: int | None = to_or_none("accounts.id")
    aside_until: int | None = moment_or_none()
    aside_reason: str = text()
    hold_reason: str = text()
    hold_whose: str = text()
    hold_look_on: str | None = text_or_none()
    asking: int = whole(0)
    told_at: int | None = moment_or_none()
    counted_at: int | None = moment_or_none()
    passed_at: int | None = moment_or_none()
    attempts: int = whole(0)
    reworks: int = whole(0)
    rests_until: int | None = moment_or_none()


class Model(PieceColumns, table=True):
    """A model of an animal, in versions. It carries the photo and screen steps."""

    __tablename__ = "models"
    __table_args__ = (
        UniqueConstraint("order_id", "letter", "number"),
        flag("open"),
        Index("ix_models_at_work", "step", "entered_at", sqlite_where=sql("open = 1")),
        STRICT,
    )

    id: int | None = key()
    animal_id: int = to("animals.id", index=True)
    order_id: int = to("orders.id")
    letter: str = text(None)
    number: int = whole(1)
    follows_id: int | None = to_or_none("models.id")
    pictures: int | None = whole_or_none()
    limits: str = text()
    limits_agreed: str = text()
    machine: str = text()
    build_ends_at: int | None = moment_or_none()


class Copy(PieceColumns, table=True):
    """A copy of a model: what is shaped, painted and sent. A remake replaces another row.

    `making` is 1 for the first piece and counts its remakes; a `withdrawn` remake was undone.
    """

    __tablename__ = "copies"
    __table_args__ = (
        UniqueConstraint("order_id", "letter", "number", "making"),
        CheckConstraint("size_mm IS NULL OR size_mm BETWEEN 5 AND 2000", name="size_believable"),
        flag("open"),
        Index("ix_copies_at_work", "step", "entered_at", sqlite_where=sql("open = 1")),
        STRICT,
    )

    id: int | None = key()
    order_id: int = to("orders.id")
    order_animal_id: int = to("order_animals.id", index=True)
    model_id: int = to("models.id", index=True)
    letter: str = text(None)
    number: int = whole(None)
    making: int = whole(1)
    replaces_id: int | None = to_or_none("copies.id")
    withdrawn: int = whole(0)
    size_mm: int | None = whole_or_none()
    pose: str = text()
    base: str = text()
    finish: str = text()
    inscription: str = text()
    spelling_confirmed_at: int | None = moment_or_none()
    extras: str = text()
    bench_note: str = text()
    parcel_id: int | None = to_or_none("parcels.id", index=True)


class Transition(SQLModel, table=True):
    """One entry of the log. Entries are only ever added.

    `act` is the id of the first entry of the same act: finishing a model moves its copies too.
    `seq` is the entry's place in its piece's log, `about_id` the entry that an undo or a
    correction speaks of, `once` the one-time key of the form that asked for it.
    """

    __tablename__ = "transitions"
    __table_args__ = (
        CheckConstraint("(model_id IS NULL) <> (copy_id IS NULL)", name="one_piece"),
        CheckConstraint("happened_at <= recorded_at", name="not_in_the_future"),
        one_of(
            "kind",
            *("enter", "move", "start", "aside", "hold", "lift"),
            *("ask", "answer", "told", "finding", "undo", "correction"),
        ),
        one_of("time_is", "pressed", "typed", "assumed", "imported"),
        UniqueConstraint("model_id", "seq"),
        UniqueConstraint("copy_id", "seq"),
        UniqueConstraint("model_id", "once"),
        UniqueConstraint("copy_id", "once"),
        STRICT,
    )

    id: int | None = key()
    act: int = whole(None)
    model_id: int | None = to_or_none("models.id")
    copy_id: int | None = to_or_none("copies.id")
    seq: int = whole(None)
    kind: str = text(None)
    move: str = text()
    from_step: str | None = text_or_none()
    to_step: str | None = text_or_none()
    happened_at: int = whole(None)
    recorded_at: int = whole(None)
    time_is: str = text("pressed")
    account_id: int | None = to_or_none("accounts.id")
    reason: str = text()
    cause: str = text()
    whose: str = text()
    until: int | None = moment_or_none()
    look_on: str | None = text_or_none()
    amount: int | None = whole_or_none()
    question_id: int | None = to_or_none("questions.id")
    about_id: int | None = to_or_none("transitions.id")
    once: str | None = text_or_none()


class MarkTick(SQLModel, table=True):
    """A mark looked at during an inspection of a copy."""

    __tablename__ = "mark_ticks"
    __table_args__ = (flag("good"), STRICT)

    id: int | None = key()
    copy_id: int = to("copies.id", index=True)
    mark_id: int = to("marks.id")
    transition_id: int = to("transitions.id")
    good: int = whole(1)
