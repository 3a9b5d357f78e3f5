"""Questions to customers: put, closed where nothing waits for them any more, and agreed to."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from sqlalchemy import ColumnElement, Connection, and_, exists, func, insert, or_, select, update

from app.flow import news_rows
from app.flow.approvals.rows import handed_on
from app.flow.approvals.rules import MODEL_APPROVAL
from app.flow.changes import change_in, note
from app.flow.gates import Gate
from app.flow.groups import made_from
from app.flow.money import Paid
from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.shared.calendar import Calendar
from app.shared.people import Person, first_name
from app.shared.web.words import short_day, with_said
from app.tables import accounts, animals, copies, customers, models, orders, questions

LIMITS, SPELLING, IN_PARTS = "limits", "spelling", "sending in parts"


def put(
    db: Connection, order_id: int, about: Ref | None, topic: str, asked: str, channel: str,
    who: Person, now: int, *, blocking: bool, before: Step | None = None,
) -> int:  # fmt: skip
    """Note a question about a piece, or about the whole order; gives its number.

    By letter it is also news. That the work stops meanwhile (`before` a step, or where it is) is
    also an entry in the log of each piece.
    """
    made = db.execute(
        insert(questions).values(
            order_id=order_id,
            model_id=about.id if about is not None and about.of is Of.MODEL else None,
            copy_id=about.id if about is not None and about.of is Of.COPY else None,
            topic=topic,
            asked=asked,
            channel=channel,
            blocking=int(blocking),
            before_step=before,
            asked_at=now,
            asked_by_id=who.account_id,
        )
    ).inserted_primary_key
    assert made is not None
    if channel == "letter":
        news_rows.write(db, order_id, "question", now, round_=int(made[0]))
    return int(made[0])


def about_limits(name: str, limits: str) -> str:
    """What the customer is asked where the photos leave something open, from the words for it."""
    lead = with_said(f"The photos of {name} leave something open", limits)
    return f"{lead} We’d shape that from what we know of {name}. Is that all right with you?"


def close_limits(db: Connection, model_id: int, now: int) -> None:
    """The model was judged otherwise: what was asked about its limits is not asked any more."""
    its = (questions.c.model_id == model_id) & (questions.c.topic == LIMITS)
    # One that stops the work was put by hand: a person closes it.
    _close(db, its & (questions.c.blocking == 0), now)


def close_of_gone(db: Connection, order_ids: Collection[int], now: int) -> None:
    """Close what is asked about pieces that have all left the house or were cancelled."""
    # What was asked about a model concerns its versions in other poses, too.
    follows = select(models.c.follows_id).where(models.c.id == copies.c.model_id)
    about = or_(
        questions.c.copy_id == copies.c.id,
        and_(
            questions.c.copy_id.is_(None),
            or_(
                questions.c.model_id.is_(None),
                made_from(questions.c.model_id),
                questions.c.model_id == follows.scalar_subquery(),
            ),
        ),
    )
    gone = (Step.HANDED_OVER, Step.RECEIVED, Step.CANCELLED)
    its = and_(copies.c.order_id == questions.c.order_id, about)
    # One made again has approvals of its own.
    again = and_(questions.c.round.is_not(None), copies.c.step == str(Step.REPLACED))
    here = exists().where(its, copies.c.withdrawn == 0, copies.c.step.not_in(gone), ~again)
    _close(db, questions.c.order_id.in_(order_ids) & exists().where(its) & ~here, now)


def _close(db: Connection, which: ColumnElement[bool], now: int) -> None:
    unanswered = questions.c.answered_at.is_(None)
    db.execute(update(questions).where(unanswered, which).values(answered_at=now, dropped=1))


def reopen(db: Connection, order_id: int, closed_at: int) -> None:
    """What closed the questions of an order at a moment (UTC seconds) was undone."""
    db.execute(
        update(questions)
        .where(
            questions.c.order_id == order_id,
            questions.c.dropped == 1,
            questions.c.answered_at == closed_at,
        )
        .values(answered_at=None, dropped=0)
    )


# ---------------------------------------------------------------- what stops the work


def of_new_piece(
    db: Connection, order_id: int, model_id: int | None, replaced: Iterable[Gate] = ()
) -> Iterable[Gate]:
    """The gates of a piece that joins an order: those of what it replaces, and what was asked about
    all of it, or its model."""
    c = questions.c
    found = db.execute(
        select(
            c.id, c.before_step, (c.round.is_not(None) & (c.asked == "")).label("unasked")
        ).where(
            questions.c.order_id == order_id,
            questions.c.answered_at.is_(None),
            questions.c.overridden_at.is_(None),
            questions.c.blocking == 1,
            questions.c.copy_id.is_(None),
            or_(questions.c.model_id.is_(None), questions.c.model_id == model_id),
        )
    )
    gates = {gate.question: gate for gate in handed_on(db, replaced)}
    for row in found:
        step = Step(row.before_step) if row.before_step else None
        gates[row.id] = Gate(row.id, step, bool(row.unasked))
    return gates.values()


def told(db: Connection, gates: Sequence[Gate], calendar: Calendar, now: int) -> tuple[Gate, ...]:
    """Gates with the words for who asked whom, about what and when."""
    if not gates:
        return ()
    named = func.coalesce(copies.c.model_id, questions.c.model_id)
    query = (
        select(
            questions.c.id, questions.c.topic, questions.c.asked_at, accounts.c.name,
            customers.c.name, orders.c.number, animals.c.name, questions.c.until_paid,
        )
        .join(orders, orders.c.id == questions.c.order_id)
        .join(customers, customers.c.id == orders.c.customer_id)
        .outerjoin(copies, copies.c.id == questions.c.copy_id)
        .outerjoin(models, models.c.id == named)
        .outerjoin(animals, animals.c.id == models.c.animal_id)
        .outerjoin(accounts, accounts.c.id == questions.c.asked_by_id)
        .where(questions.c.id.in_([gate.question for gate in gates]))
    )  # fmt: skip
    unasked = {gate.question for gate in gates if gate.unasked}
    said, unpaid = {}, set()
    for id_, topic, at, asker, customer, number, animal, until_paid in db.execute(query):
        what = animal or f"order {number}"
        if until_paid:
            unpaid.add(id_)
            said[id_] = f"{customer} hasn’t {_NOT_PAID[Paid(until_paid)]} for order {number} yet"
        elif id_ in unasked:
            seen = "model" if topic == MODEL_APPROVAL else "painting"
            said[id_] = f"{customer} approves the {seen} of {what} first"
        else:
            day = short_day(calendar.day_of(at), calendar.day_of(now))
            who = first_name(asker or "Somebody")
            said[id_] = f"{who} asked {customer} about {what} ({topic.strip()}) on {day}"
    return tuple(
        replace(gate, about=said.get(gate.question, ""), unpaid=gate.question in unpaid)
        for gate in gates
    )


_NOT_PAID = {Paid.PART: "paid the deposit", Paid.ALL: "paid in full"}


def override(db: Connection, question_id: int, reason: str, now: int) -> None:
    """The owner goes on without an answer. The question stays open, and stops nothing more."""
    own = update(questions).where(questions.c.id == question_id)
    db.execute(own.values(overridden_at=now, overridden=reason))


# ---------------------------------------------------------------- what a yes settles


def agree(db: Connection, question_id: int, how: str, who: Person, now: int) -> None:
    """The customer said yes: the spelling is confirmed, the limits are agreed, or what is ready may
    go ahead.

    `how` says who agreed, when and which way. A question about anything else settles nothing.
    """
    row = db.execute(select(questions).where(questions.c.id == question_id)).mappings().one()
    topic = row["topic"].strip().casefold()
    if topic == LIMITS and row["model_id"] is not None:
        own = select(models.c.animal_id, models.c.limits).where(models.c.id == row["model_id"])
        animal_id, limits = db.execute(own).one()
        # A next version that was begun meanwhile has the same limits.
        same = and_(models.c.animal_id == animal_id, models.c.limits == limits)
        db.execute(
            update(models).where(same, models.c.limits_agreed == "").values(limits_agreed=how)
        )
    elif topic == SPELLING:
        query = select(copies.c.id).where(
            copies.c.order_id == row["order_id"],
            copies.c.withdrawn == 0,
            copies.c.inscription != "",
            copies.c.spelling_confirmed_at.is_(None),
        )
        if row["copy_id"] is not None:
            query = query.where(copies.c.id == row["copy_id"])
        elif row["model_id"] is not None:
            query = query.where(made_from(row["model_id"]))
        for copy_id in db.execute(query).scalars().all():
            confirm_spelling(db, row["order_id"], copy_id, who, now)
    elif topic == IN_PARTS:
        change_in(db, orders, row["order_id"], row["order_id"], {"ship_part": 1}, who, now)


def confirm_spelling(db: Connection, order_id: int, copy_id: int, who: Person, now: int) -> None:
    """The customer has confirmed how a copy's inscription is spelled."""
    db.execute(update(copies).where(copies.c.id == copy_id).values(spelling_confirmed_at=now))
    note(
        db, who.account_id, now, "copies", "spelling confirmed", "", "by the customer",
        of_id=copy_id, order_id=order_id,
    )  # fmt: skip
