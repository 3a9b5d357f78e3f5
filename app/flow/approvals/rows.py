"""The rows for what a customer approves.

A required approval is a row of `questions` from the moment on at which it is required: about the
model for all its copies in the order, about the paint for each copy. It has a `round`, and no text
until somebody shows the customer something. A round that ends with a no is followed by the next.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, Select, and_, func, insert, or_, select, update

from app.flow.approvals.rules import BEFORE, MODEL_APPROVAL, NO, PAINT_APPROVAL, Approves
from app.flow.gates import Gate
from app.flow.steps import PLACE, Of, Step
from app.shared.people import Person
from app.tables import copies, models, orders, questions


def of_order(db: Connection, order_id: int) -> Approves:
    """What the customer of an order approves."""
    query = select(orders.c.approves).where(orders.c.id == order_id)
    return Approves(db.execute(query).scalar() or Approves.NOTHING)


def asked_of(topic: str, model_id: int, copy_id: int | None) -> Any:
    """The condition that a row asks this: about a model, or the paint of a copy."""
    c = questions.c
    about = c.model_id == model_id if topic == MODEL_APPROVAL else c.copy_id == copy_id
    return and_(c.topic == topic, c.round.is_not(None), c.dropped == 0, about)


def still_counts(db: Connection, order_id: int, topic: str, model_id: int, copy: int | None) -> Any:
    """The row of an approval that is open or was given; None where the next has to be required."""
    c = questions.c
    query = select(c.id, c.asked, c.answered_at, c.overridden_at).where(
        c.order_id == order_id,
        asked_of(topic, model_id, copy),
        or_(c.verdict.is_(None), c.verdict != NO),
    )
    return db.execute(query.order_by(c.id.desc()).limit(1)).first()


def require(
    db: Connection, order_id: int, topic: str, about: Mapping[str, Any], who: Person, now: int
) -> int:
    """Note that an approval is required from now on; gives the row's number.

    `about` has the copy's model_id, letter, number, and its id where it has one yet.
    """
    of_model = topic == MODEL_APPROVAL
    made = db.execute(
        insert(questions).values(
            order_id=order_id,
            model_id=about["model_id"] if of_model else None,
            copy_id=None if of_model else about.get("id"),
            topic=topic,
            asked="",
            channel="letter",
            blocking=1,
            before_step=str(BEFORE[topic]),
            asked_at=now,
            asked_by_id=who.account_id,
            round=1 + db.execute(_shown(order_id, topic, about)).scalar_one(),
        )
    ).inserted_primary_key
    assert made is not None
    return int(made[0])


def _shown(order_id: int, topic: str, about: Mapping[str, Any]) -> Select[Any]:
    """How often the customer has been asked so far: of the animal, whichever version it was, or of
    the copy, whichever making."""
    c = questions.c
    query = select(func.count()).select_from(questions)
    if topic == MODEL_APPROVAL:
        animal = select(models.c.animal_id).where(models.c.id == about["model_id"])
        query = query.join(models, models.c.id == c.model_id)
        its = models.c.animal_id == animal.scalar_subquery()
    else:
        query = query.join(copies, copies.c.id == c.copy_id)
        its = and_(copies.c.letter == about["letter"], copies.c.number == about["number"])
    return query.where(
        c.order_id == order_id, c.topic == topic, c.round.is_not(None), c.asked != "", its
    )


def of_new_piece(
    db: Connection, of: Of, copy: Mapping[str, Any], step: Step, who: Person, now: int
) -> int | None:
    """Require what the order requires of a copy that comes in at a step.

    Gives the row about its paint, if any, which has yet to be told whose it is: until then it is
    found among what the whole order waits for. A copy that begins at once is made from a model that
    the customer has seen.
    """
    if of is Of.MODEL:
        return None
    order_id = int(copy["order_id"])
    topics = of_order(db, order_id).topics
    if MODEL_APPROVAL in topics and step is Step.NOT_BEGUN:
        model_id = int(copy["model_id"])
        if still_counts(db, order_id, MODEL_APPROVAL, model_id, None) is None:
            require(db, order_id, MODEL_APPROVAL, copy, who, now)
    if PAINT_APPROVAL in topics and PLACE[step] <= PLACE[BEFORE[PAINT_APPROVAL]]:
        return require(db, order_id, PAINT_APPROVAL, copy, who, now)
    return None


def is_about(db: Connection, question_id: int, copy_id: int) -> None:
    """An approval is about this copy, which has come in just now."""
    db.execute(update(questions).where(questions.c.id == question_id).values(copy_id=copy_id))


def handed_on(db: Connection, gates: Iterable[Gate]) -> tuple[Gate, ...]:
    """The gates of a piece that the one in its place has, too: it has approvals of its own."""
    found = tuple(gates)
    if not found:
        return ()
    c = questions.c
    its = select(c.id).where(c.id.in_([gate.question for gate in found]), c.round.is_not(None))
    approvals = set(db.execute(its).scalars())
    return tuple(gate for gate in found if gate.question not in approvals)
