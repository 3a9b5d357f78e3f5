"""Showing the customer what they approve: pictures put together, and sent with one question."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, bindparam, delete, insert, select, text, update

from app.flow import news_rows
from app.flow import store as flow
from app.flow.actions import begin_act, settle
from app.flow.approvals import requiring
from app.flow.approvals import rows as approval_rows
from app.flow.approvals import rules as approvals
from app.flow.approvals.rules import BEFORE, MODEL_APPROVAL, PAINT_APPROVAL
from app.flow.rules import Kind
from app.flow.steps import Of
from app.flow.store import Ref
from app.moving.effects import MoveDetails
from app.moving.perform import Seen, perform_in
from app.photos.release.actions import AT_MOST, RELEASED, kept_anew
from app.shared.errors import AlreadyMoved, BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.web.fields import Fields, Line, Reason
from app.studio.workshop import Workshop
from app.tables import approval_pictures, questions

MOST = 6


class ApprovalFields(Fields):
    """What the customer is asked about the pictures."""

    asked: Reason
    once: Line


@dataclass(frozen=True, slots=True)
class Approval:
    """A round of an approval: of which piece, what is asked, and the pictures that go with it."""

    id: int
    order_id: int
    number: int
    ref: Ref
    topic: str
    round: int
    animal: str
    gift: bool
    remembered: bool
    asked: str
    answered: bool
    pictures: Sequence[int]

    @property
    def of(self) -> str:
        """What it is of, in a word."""
        return "model" if self.topic == MODEL_APPROVAL else "painting"

    @property
    def suggested(self) -> str:
        """The question as it is usually asked."""
        return f"Is the {self.of} of {self.animal} as you’d like it?"


_ONE = text(
    "SELECT q.*, o.number, o.gift, a.name AS animal, a.life FROM questions q"
    " JOIN orders o ON o.id = q.order_id LEFT JOIN copies c ON c.id = q.copy_id"
    " JOIN models m ON m.id = coalesce(q.model_id, c.model_id)"
    " JOIN animals a ON a.id = m.animal_id WHERE q.id = :id AND q.round IS NOT NULL"
)


def read(db: Connection, id_: int) -> Approval:
    """One round of an approval. Raises NotFound."""
    row = db.execute(_ONE, {"id": id_}).first()
    if row is None:
        raise NotFound("There is no such approval.")
    own = select(approval_pictures.c.id).where(approval_pictures.c.question_id == id_)
    shown = db.execute(own.order_by(approval_pictures.c.id)).scalars().all()
    ref = Ref(Of.COPY, row.copy_id) if row.copy_id is not None else Ref(Of.MODEL, row.model_id)
    return Approval(
        id_, row.order_id, row.number, ref, row.topic, row.round, row.animal, bool(row.gift),
        row.life == "remembered", row.asked, row.answered_at is not None, shown,
    )  # fmt: skip


def _to_prepare(db: Connection, id_: int) -> Approval:
    """A round that has not gone yet. Raises AlreadyMoved for any other."""
    found = read(db, id_)
    if found.asked or found.answered:
        raise AlreadyMoved("The customer has been asked already.")
    return found


def begin(workshop: Workshop, ref: Ref, who: Person) -> int:
    """Require the approval of what a piece shows, if it is not required yet; gives its number.

    Raises Refused where the work is past it, or the customer has approved it.
    """
    topic = MODEL_APPROVAL if ref.of is Of.MODEL else PAINT_APPROVAL
    with workshop.database.writing() as db:
        piece = flow.load(db, ref)
        act = begin_act(db, who, workshop.now())
        wanted = approval_rows.of_order(db, piece.order_id).topics | {topic}
        requiring.change_to(act, piece.order_id, approvals.of_topics(wanted))
        requiring.in_line(act, piece.order_id, frozenset({topic}))
        row = approval_rows.still_counts(db, piece.order_id, topic, piece.model_id, ref.id)
        if row is None:
            raise Refused("The work is past that already: there is nothing left to wait for.")
        if row.answered_at is not None:
            raise Refused("The customer has approved this already.")
        settle(act)
    workshop.changed.set()
    return int(row.id)


def add(workshop: Workshop, id_: int, source: Path) -> None:
    """Put a picture with an approval, made anew from its pixels. Raises BadFields for more than
    six, or what is no picture, and AlreadyMoved where it has gone."""
    with workshop.database.reading() as db:
        _check_room(_to_prepare(db, id_))
    small = kept_anew(workshop.folder.pictures, source, RELEASED, AT_MOST)
    with workshop.database.writing() as db:
        _check_room(_to_prepare(db, id_))
        db.execute(
            insert(approval_pictures).values(
                question_id=id_, file=small.file, size=small.size, width=small.width,
                height=small.height,
            )
        )  # fmt: skip


def _check_room(found: Approval) -> None:
    if len(found.pictures) >= MOST:
        raise BadFields({"file": f"{MOST} pictures at most go with one question. Remove one."})


def remove(workshop: Workshop, id_: int, picture: int) -> None:
    """Take a picture away again. Raises NotFound, and AlreadyMoved where it has gone."""
    c = approval_pictures.c
    with workshop.database.writing() as db:
        _to_prepare(db, id_)
        done = db.execute(delete(approval_pictures).where(c.id == picture, c.question_id == id_))
        if not done.rowcount:
            raise NotFound("That picture is gone already.")


def send(workshop: Workshop, id_: int, typed: ApprovalFields, who: Person) -> Approval:
    """Ask the customer: it goes with the next letter, and from now on the time is theirs.

    Raises BadFields where there is no picture yet, and AlreadyMoved where it has gone.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        found = _to_prepare(db, id_)
        if not found.pictures:
            raise BadFields({"file": "Add at least one picture first."})
        db.execute(
            update(questions)
            .where(questions.c.id == id_)
            .values(asked=typed.asked, asked_at=now, asked_by_id=who.account_id)
        )
        news_rows.write(db, found.order_id, "question", now, round_=id_)
        waiting = [
            Seen(piece.ref)
            for piece in flow.pieces_of_order(db, found.order_id)
            if piece.state.open and any(gate.question == id_ for gate in piece.state.gates)
        ]
        said = MoveDetails(question_id=id_, before=BEFORE[found.topic])
        perform_in(db, workshop, waiting, Kind.ASK, said, who, typed.once)
        flow.mark_stale(db, [found.order_id])
    workshop.changed.set()
    return found


_FILES = text(
    "SELECT question_id, file FROM approval_pictures WHERE question_id IN :ids ORDER BY id"
).bindparams(bindparam("ids", expanding=True))


def files_of(db: Connection, question_ids: Sequence[int]) -> Sequence[str]:
    """The names of the files that go with some questions, under pictures/released/."""
    return [row.file for row in db.execute(_FILES, {"ids": list(question_ids)})]


def file_of(db: Connection, picture: int) -> str:
    """The path of one picture's file under pictures/. Raises NotFound."""
    query = select(approval_pictures.c.file).where(approval_pictures.c.id == picture)
    file = db.execute(query).scalar()
    if file is None:
        raise NotFound("There is no such picture.")
    return f"{RELEASED}/{file}"


def open_of(db: Connection, ref: Ref, order_id: int) -> Mapping[str, int] | None:
    """The open round about what a piece shows: its number, and whether it has gone."""
    c = questions.c
    own = c.model_id == ref.id if ref.of is Of.MODEL else c.copy_id == ref.id
    query = select(c.id, (c.asked != "").label("gone")).where(
        own, c.order_id == order_id, c.round.is_not(None), c.answered_at.is_(None)
    )
    row = db.execute(query).mappings().first()
    return dict(row) if row is not None else None
