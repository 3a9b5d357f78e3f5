"""One piece with what belongs to it, read for its page."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, false, or_, select
from sqlalchemy.engine import RowMapping

from app.bench.colours.store import Zone, zones_of
from app.flow import store as flow
from app.flow.after import belongings as lent
from app.flow.rules import Entry
from app.flow.steps import Of, Step
from app.flow.store import Piece, Ref
from app.shared.web import words
from app.tables import (
    accounts,
    aftercare_cases,
    aftercare_copies,
    animals,
    copies,
    copy_companions,
    customers,
    marks,
    models,
    news,
    orders,
    questions,
    step_texts,
    tellings,
    transitions,
    views_asked,
)


@dataclass(frozen=True, slots=True)
class PieceRows:
    """A piece, its order, animal, marks, log and the studio's words for its step.

    `model` is the model's own row: a copy's model's, a model's itself. `beside` are the further
    animals on a copy's base. `marks` and `colours` are those of all of them. `agreed` are questions
    about the piece that the customer has answered.
    """

    piece: Piece
    row: RowMapping
    model: RowMapping
    order: RowMapping
    customer: RowMapping
    animal: RowMapping
    beside: Sequence[RowMapping]
    marks: Sequence[RowMapping]
    colours: Sequence[Zone]
    questions: Sequence[RowMapping]
    agreed: Sequence[RowMapping]
    lent: Sequence[RowMapping]
    views: Sequence[RowMapping]
    sisters: Sequence[RowMapping]
    log: Sequence[Entry]
    people: Mapping[int, str]
    done_when: str
    watch_out: str
    replaced_by: RowMapping | None
    case: RowMapping | None

    @property
    def names(self) -> str:
        """Whom the piece shows: Juniper; Bracken and Thistle."""
        return words.listed([str(row["name"]) for row in (self.animal, *self.beside)])

    @property
    def belongings(self) -> list[str]:
        """What of the customer's is here for these animals: Juniper’s collar, on shelf 3."""
        own = (None, self.piece.letter, *self.piece.beside)
        return [
            f"{lent.named(row)}, on {row['shelf']}" for row in self.lent if row["letter"] in own
        ]


def read(db: Connection, ref: Ref) -> PieceRows:
    """Everything about one piece. Raises NotFound."""
    piece = flow.load(db, ref)

    def one(table: Any, id_: int) -> RowMapping:
        return db.execute(select(table).where(table.c.id == id_)).mappings().one()

    row = one(flow.TABLE[ref.of], ref.id)
    model = row if ref.of is Of.MODEL else one(models, piece.model_id)
    order = one(orders, piece.order_id)
    texts = _many(db, select(step_texts).where(step_texts.c.step == str(piece.state.step)))
    beside = _many(db, _beside(ref)) if piece.beside else []
    ids = [model["animal_id"], *(row["id"] for row in beside)]
    own = copies.c.model_id == piece.model_id
    unanswered = (questions.c.order_id == piece.order_id) & questions.c.answered_at.is_(None)
    asked = (views_asked.c.model_id == piece.model_id) & (
        views_asked.c.attempt == piece.state.attempts
    )
    here = marks.c.animal_id.in_(ids) & marks.c.gone_at.is_(None)
    whose = select(marks, animals.c.name.label("animal")).join(animals)
    return PieceRows(
        piece=piece,
        row=row,
        model=model,
        order=order,
        customer=one(customers, order["customer_id"]),
        animal=one(animals, model["animal_id"]),
        beside=beside,
        marks=_many(db, whose.where(here).order_by(marks.c.animal_id, marks.c.id)),
        colours=[zone for id_ in ids for zone in zones_of(db, id_)],
        questions=_many(db, select(questions).where(unanswered)),
        agreed=_many(db, _answered(piece, [row["model_id"] for row in beside])),
        lent=lent.here(db, [piece.order_id]).get(piece.order_id, ()),
        views=_many(db, select(views_asked).where(asked).order_by(views_asked.c.number)),
        sisters=_many(db, select(copies).where(own, copies.c.withdrawn == 0)),
        log=flow.log_of(db, ref),
        people={r.id: r.name for r in db.execute(select(accounts.c.id, accounts.c.name))},
        done_when=texts[0]["done_when"] if texts else "",
        watch_out=texts[0]["watch_out"] if texts else "",
        replaced_by=_replaced_by(db, piece),
        case=_case(db, piece),
    )


def _beside(ref: Ref) -> Select[Any]:
    """The further animals on a copy's base, with the models that stand there for them."""
    c = copy_companions.c
    joined = copy_companions.join(models, models.c.id == c.model_id).join(animals)
    query = select(
        animals, c.order_animal_id, c.model_id, models.c.limits, models.c.limits_agreed
    ).select_from(joined)
    return query.where(c.copy_id == ref.id).order_by(c.order_animal_id)


def _answered(piece: Piece, beside: Sequence[int]) -> Select[Any]:
    """The answered questions about a piece, its models or its whole order, oldest first."""
    c = questions.c
    of_copy = piece.ref.id if piece.ref.of is Of.COPY else None
    its_models = c.model_id.in_([piece.model_id, *beside])
    about = or_(its_models, c.copy_id == of_copy, _approved_before(piece))
    whole = c.model_id.is_(None) & c.copy_id.is_(None)
    answered = c.answered_at.is_not(None) & (c.dropped == 0)
    its = (c.order_id == piece.order_id) & answered & or_(about, whole)
    return select(questions).where(its).order_by(c.answered_at)


def _approved_before(piece: Piece) -> ColumnElement[bool]:
    """What was shown of the animal's other versions, or of what this piece replaces."""
    m, k, c = models.c, copies.c, questions.c
    animal = select(m.animal_id).where(m.id == piece.model_id).scalar_subquery()
    versions = select(m.id).where(m.animal_id == animal)
    same = (k.order_id == piece.order_id) & (k.letter == piece.letter)
    makings = select(k.id).where(same, k.number == piece.number)
    of_copy = c.copy_id.in_(makings) if piece.ref.of is Of.COPY else false()
    return c.round.is_not(None) & (c.model_id.in_(versions) | of_copy)


def _replaced_by(db: Connection, piece: Piece) -> RowMapping | None:
    """The copy that took the place of one that was made anew, by which act, and the end that was
    last told; `written` says that the customer has been told of the act, or shall not be."""
    if piece.state.step is not Step.REPLACED:
        return None
    told = (
        select(tellings.c.to_day)
        .where(tellings.c.order_id == piece.order_id, tellings.c.to_day.is_not(None))
        .order_by(tellings.c.at.desc(), tellings.c.id.desc())
        .limit(1)
        .scalar_subquery()
    )
    entered = transitions.c.copy_id == copies.c.id
    first = select(transitions.c.act).where(entered, transitions.c.seq == 1)
    act = first.correlate(copies).scalar_subquery()
    written = select(news.c.id).where(
        news.c.order_id == piece.order_id, news.c.kind == "made_again", news.c.round == act,
        news.c.taken_back_at.is_(None),
    )  # fmt: skip
    query = select(
        copies.c.id, copies.c.making, told.label("told_end"), act.label("act"),
        written.correlate(copies).exists().label("written"),
    )  # fmt: skip
    return (
        db.execute(query.where(copies.c.replaces_id == piece.ref.id, copies.c.withdrawn == 0))
        .mappings()
        .first()
    )


def _case(db: Connection, piece: Piece) -> RowMapping | None:
    """The case for which a copy goes on in the place of one that had left."""
    if piece.making == 1:
        return None
    c = aftercare_cases.c
    query = select(c.id, c.words, c.decided).join(
        aftercare_copies, aftercare_copies.c.case_id == c.id
    )
    its = (aftercare_copies.c.made_id == piece.ref.id) & c.decided.is_not(None)
    return db.execute(query.where(its)).mappings().first()


def letters_about(db: Connection, order_id: int, entry_id: int) -> list[str]:
    """The kinds of news that an entry has given, for a word on what the customer may have read."""
    query = select(news.c.kind).where(
        news.c.order_id == order_id,
        news.c.transition_id == entry_id,
        news.c.taken_back_at.is_(None),
    )
    return list(db.execute(query).scalars())


def _many(db: Connection, query: Any) -> Sequence[RowMapping]:
    return db.execute(query).mappings().all()
