"""Money at the door: an order that is not paid as far as it has to be stops at its photos.

What is missing is a question to the customer whose `until_paid` says how much has to be paid. It is
put in the act that takes the order in, closed in the one that notes the payment, and open again
where the payment is taken back.
"""

from typing import Any

from sqlalchemy import Connection, select, update

from app.flow import questions as asking
from app.flow import store
from app.flow.actions import Act, Wish, begin_act, grant, settle
from app.flow.money import Paid
from app.flow.rules import Kind
from app.flow.steps import Step
from app.shared.people import Person
from app.tables import orders, questions

TOPIC = "payment"
# Photos may come and be counted; the first step that is ours waits.
BEFORE = Step.PHOTOS_IN
PAID = {Paid.PART: "part of it is paid", Paid.ALL: "it is paid"}


def asked(needed: Paid) -> str:
    """The question, as its row has it."""
    return f"{needed.called}, before work starts"


def ask(db: Connection, order_id: int, needed: Paid, who: Person, now: int) -> None:
    """Let an order whose pieces are still to come wait for its payment, unless enough is paid."""
    if _paid(db, order_id).covers(needed):
        return
    made = asking.put(
        db, order_id, None, TOPIC, asked(needed), "other", who, now,
        blocking=True, before=BEFORE,
    )  # fmt: skip
    db.execute(update(questions).where(questions.c.id == made).values(until_paid=str(needed)))


def noted(db: Connection, order_id: int, who: Person, now: int) -> None:
    """What is paid of an order was changed: it waits no more, or again."""
    act = begin_act(db, who, now)
    in_line(act, order_id)
    settle(act)


def in_line(act: Act, order_id: int) -> None:
    """Bring what an order waits for in line with what is paid of it."""
    c = questions.c
    its = (c.order_id == order_id) & c.until_paid.is_not(None) & (c.dropped == 0)
    row = act.db.execute(
        select(c.id, c.until_paid, c.answered_at, c.overridden_at).where(its)
    ).first()
    if row is None:
        return
    paid = _paid(act.db, order_id)
    done = paid.covers(Paid(row.until_paid))
    if done != (row.answered_at is not None):
        values: dict[str, Any] = {"answered_at": None, "answered_by_id": None, "answer": ""}
        if done:
            said = PAID[paid]
            values = {"answered_at": act.now, "answered_by_id": act.who.account_id, "answer": said}
        act.db.execute(update(questions).where(c.id == row.id).values(values))
    stops = not done and row.overridden_at is None
    for piece in store.pieces_of_order(act.db, order_id):
        here = piece.state.open and piece.state.step is not Step.HANDED_OVER
        stopped = any(gate.question == row.id for gate in piece.state.gates)
        if here and stopped != stops:
            kind = Kind.ASK if stops else Kind.ANSWER
            grant(act, piece, Wish(piece.ref, kind, question_id=row.id, before=BEFORE))


def _paid(db: Connection, order_id: int) -> Paid:
    return Paid(db.execute(select(orders.c.paid).where(orders.c.id == order_id)).scalar_one())
