"""Models, copies, and the log of what happened to them.

The cached columns of a piece (PieceColumns) are what folding its log gives; `likewright audit`
folds again and compares.
"""

from sqlalchemy import CheckConstraint, Index, UniqueConstraint, text
from sqlmodel import SQLModel

from app.tables import columns as col


class PieceColumns(SQLModel):
    """Where a piece stands. `version` counts the entries of its log.

    At the end of each table stand its `gates`, the open questions that stop the piece, as
    app.flow.gates writes them: `12: 15:painting`.
    """

    step: str = col.text(None)
    entered_at: int = col.whole(None)
    last_at: int = col.whole(None)
    version: int = col.whole(0)
    open: int = col.whole(1)
    in_hand: int = col.whole(0)
    hand_id: int | None = col.to_or_none("accounts.id")
    aside_until: int | None = col.moment_or_none()
    aside_reason: str = col.text()
    hold_reason: str = col.text()
    hold_whose: str = col.text()
    hold_look_on: str | None = col.text_or_none()
    told_at: int | None = col.moment_or_none()
    counted_at: int | None = col.moment_or_none()
    passed_at: int | None = col.moment_or_none()
    attempts: int = col.whole(0)
    reworks: int = col.whole(0)
    rests_until: int | None = col.moment_or_none()


class Model(PieceColumns, table=True):
    """A model of an animal, in versions. It carries the photo and screen steps.

    `pose` is the one that it is built in: None before its photos have passed, and where nobody
    said one. Another pose is another version.
    """

    __tablename__ = "models"
    __table_args__ = (
        UniqueConstraint("order_id", "letter", "number"),
        col.flag("open"),
        Index("ix_models_at_work", "step", "entered_at", sqlite_where=text("open = 1")),
        col.STRICT,
    )

    id: int | None = col.key()
    animal_id: int = col.to("animals.id", index=True)
    order_id: int = col.to("orders.id")
    letter: str = col.text(None)
    number: int = col.whole(1)
    follows_id: int | None = col.to_or_none("models.id")
    pictures: int | None = col.whole_or_none()
    limits: str = col.text()
    limits_agreed: str = col.text()
    machine: str = col.text()
    build_ends_at: int | None = col.moment_or_none()
    gates: str | None = col.text_or_none()
    pose: str | None = col.text_or_none()


class Copy(PieceColumns, table=True):
    """A copy of a model: what is shaped, painted and sent. A remake replaces another row.

    `making` is 1 for the first piece and counts its remakes; a `withdrawn` remake was undone.
    `measured` is where the size is: shoulder, back, height or length; None where nobody said.
    """

    __tablename__ = "copies"
    __table_args__ = (
        UniqueConstraint("order_id", "letter", "number", "making"),
        CheckConstraint("size_mm IS NULL OR size_mm BETWEEN 5 AND 2000", name="size_believable"),
        col.flag("open"),
        Index("ix_copies_at_work", "step", "entered_at", sqlite_where=text("open = 1")),
        col.STRICT,
    )

    id: int | None = col.key()
    order_id: int = col.to("orders.id")
    order_animal_id: int = col.to("order_animals.id", index=True)
    model_id: int = col.to("models.id", index=True)
    letter: str = col.text(None)
    number: int = col.whole(None)
    making: int = col.whole(1)
    replaces_id: int | None = col.to_or_none("copies.id")
    withdrawn: int = col.whole(0)
    size_mm: int | None = col.whole_or_none()
    pose: str = col.text()
    base: str = col.text()
    finish: str = col.text()
    inscription: str = col.text()
    spelling_confirmed_at: int | None = col.moment_or_none()
    extras: str = col.text()
    bench_note: str = col.text()
    parcel_id: int | None = col.to_or_none("parcels.id", index=True)
    gates: str | None = col.text_or_none()
    measured: str | None = col.text_or_none()


class CopyCompanion(SQLModel, table=True):
    """A further animal on the base of a copy, with the model that stands there for it.

    The copy is then a group: its own columns name the first animal, and it begins when all its
    models are ready.
    """

    __tablename__ = "copy_companions"
    __table_args__ = (UniqueConstraint("copy_id", "order_animal_id"), col.STRICT)

    id: int | None = col.key()
    copy_id: int = col.to("copies.id")
    order_animal_id: int = col.to("order_animals.id", index=True)
    model_id: int = col.to("models.id", index=True)


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
        col.one_of(
            "kind",
            *("enter", "move", "start", "aside", "hold", "lift"),
            *("ask", "answer", "told", "finding", "undo", "correction"),
        ),
        col.one_of("time_is", "pressed", "typed", "assumed", "imported"),
        UniqueConstraint("model_id", "seq"),
        UniqueConstraint("copy_id", "seq"),
        UniqueConstraint("model_id", "once"),
        UniqueConstraint("copy_id", "once"),
        Index("ix_transitions_batches", "amount", sqlite_where=text("move = 'batch'")),
        col.STRICT,
    )

    id: int | None = col.key()
    act: int = col.whole(None)
    model_id: int | None = col.to_or_none("models.id")
    copy_id: int | None = col.to_or_none("copies.id")
    seq: int = col.whole(None)
    kind: str = col.text(None)
    move: str = col.text()
    from_step: str | None = col.text_or_none()
    to_step: str | None = col.text_or_none()
    happened_at: int = col.whole(None)
    recorded_at: int = col.whole(None)
    time_is: str = col.text("pressed")
    account_id: int | None = col.to_or_none("accounts.id")
    reason: str = col.text()
    cause: str = col.text()
    whose: str = col.text()
    until: int | None = col.moment_or_none()
    look_on: str | None = col.text_or_none()
    amount: int | None = col.whole_or_none()
    question_id: int | None = col.to_or_none("questions.id")
    about_id: int | None = col.to_or_none("transitions.id")
    once: str | None = col.text_or_none()


class MarkTick(SQLModel, table=True):
    """A mark looked at during an inspection of a copy."""

    __tablename__ = "mark_ticks"
    __table_args__ = (col.flag("good"), col.STRICT)

    id: int | None = col.key()
    copy_id: int = col.to("copies.id", index=True)
    mark_id: int = col.to("marks.id")
    transition_id: int = col.to("transitions.id")
    good: int = col.whole(1)
