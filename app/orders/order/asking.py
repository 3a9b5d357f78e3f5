"""Questions of the desk to a customer: put, answered, or overridden by the owner."""

from typing import Annotated, Any, Literal

from sqlalchemy import Connection, select, update

from app.flow import questions as asking
from app.flow import store
from app.flow.actions import begin_act, settle
from app.flow.approvals import requiring
from app.flow.approvals.rules import MODEL_APPROVAL, NO, PAINT_APPROVAL
from app.flow.rules import Kind
from app.flow.steps import MAKING_STEPS, MODEL, STEPS, MoveKey, Step
from app.flow.store import Piece, Ref, mark_stale
from app.moving.effects import MoveDetails
from app.moving.inspecting import WhatIsWrong
from app.moving.perform import Seen, perform_in
from app.orders.order.actions import open_pieces
from app.shared.errors import AlreadyMoved, BadFields, NotAllowed, NotFound, Refused
from app.shared.people import Person, Role
from app.shared.web import words
from app.shared.web.fields import Channel, Fields, Line, Reason, Tick, among
from app.studio.workshop import Workshop
from app.tables import customers, orders, questions

# Whether the work waits for an answer: not at all, where it is, or before a step of the making.
NOT_AT_ALL, FROM_HERE = "", "here"
WAITS: dict[str, str] = {
    NOT_AT_ALL: "not at all",
    FROM_HERE: "from here on",
    **{str(step): f"before {STEPS[step].name.lower()}" for step in MAKING_STEPS},
}


Waits = Annotated[str, among(WAITS)]


class QuestionFields(Fields):
    """A question to the customer. `about` is "order" or a piece; `waits` says what stops for it."""

    topic: Line
    asked: Reason
    about: Line
    channel: Channel = "letter"
    waits: Waits = NOT_AT_ALL


class OverrideFields(Fields):
    """Why the work goes on without an answer."""

    reason: Reason


class AnswerFields(Fields):
    """The customer's answer; `agrees` where it is a yes that settles something, `verdict` what they
    say of what they were to approve."""

    answer: Reason
    channel: Channel = "letter"
    agrees: Tick
    verdict: Literal["", "yes", "changes", "no"] = ""


def ask(workshop: Workshop, order_id: int, typed: QuestionFields, who: Person, once: str) -> None:
    """Note a question; while it stops a piece the clock is the customer's."""
    now, before = workshop.now(), None
    if typed.waits not in (NOT_AT_ALL, FROM_HERE):
        before = Step(typed.waits)
    with workshop.database.writing() as db:
        ref = None if typed.about in ("", "order") else Ref.read(typed.about)
        pieces = open_pieces(db, order_id, ref)
        if _asked_before(db, order_id, typed.asked, now):
            raise AlreadyMoved("That question is already open.")
        made = asking.put(
            db, order_id, ref, typed.topic or "Question", typed.asked, typed.channel, who, now,
            blocking=typed.waits != NOT_AT_ALL, before=before,
        )  # fmt: skip
        if typed.waits != NOT_AT_ALL:
            said = MoveDetails(question_id=made, before=before)
            here = [Seen(p.ref) for p in pieces if p.state.step is not Step.HANDED_OVER]
            perform_in(db, workshop, here, Kind.ASK, said, who, once)
        mark_stale(db, [order_id])
    workshop.changed.set()


def _asked_before(db: Connection, order_id: int, asked: str, now: int) -> bool:
    query = select(questions.c.id).where(
        questions.c.order_id == order_id,
        questions.c.asked == asked,
        questions.c.answered_at.is_(None),
        questions.c.asked_at > now - 60,
    )
    return db.execute(query).first() is not None


def answer(
    workshop: Workshop, order_id: int, question_id: int, typed: AnswerFields, who: Person
) -> None:
    """Note the answer to a question; what it blocked goes on, what it agrees to is agreed.

    What the customer does not approve goes back to the work that it is about, and is shown again.
    Raises BadFields where it is not said whether they approve.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        row = _open_question(db, order_id, question_id)
        if row.until_paid:
            raise Refused("Note the payment on the order: that answers it.")
        topic = row.topic.strip().casefold()
        if topic in _BACK and not typed.verdict:
            raise BadFields({"verdict": "Is it a yes?"})
        stopped = [piece for piece in _waiting(db, order_id, question_id) if piece.state.stopped]
        db.execute(
            update(questions)
            .where(questions.c.id == question_id)
            .values(
                answered_at=now, answered_by_id=who.account_id, answer=typed.answer,
                verdict=typed.verdict or None,
            )
        )  # fmt: skip
        if typed.agrees:
            how = _how_agreed(db, workshop, order_id, typed.channel, now)
            asking.agree(db, question_id, how, who, now)
        _go_on(db, workshop, order_id, MoveDetails(question_id=question_id), who)
        if typed.verdict == NO:
            made = [Seen(p.ref) for p in stopped if p.state.step in MAKING_STEPS]
            theirs = WhatIsWrong(found_by="customer")
            said = MoveDetails(
                reason=typed.answer, cause=f"{MODEL}:{row.model_id or ''}", found=theirs
            )
            if made:
                perform_in(db, workshop, made, _BACK[topic], said, who)
            act = begin_act(db, who, now)
            requiring.in_line(act, order_id)
            settle(act)
        mark_stale(db, [order_id])
    workshop.changed.set()


# What a copy that waits for an approval does where there is a no: a model is finished anew.
_BACK = {MODEL_APPROVAL: MoveKey.REMAKE, PAINT_APPROVAL: MoveKey.back_to(Step.PAINTING)}


def override(
    workshop: Workshop, order_id: int, question_id: int, typed: OverrideFields, who: Person
) -> None:
    """Go on without an answer, for a reason that stays in the log; the question stays open.

    Raises NotAllowed for anybody but the owner, and AlreadyMoved where it stops nothing (more).
    """
    if who.role is not Role.OWNER:
        raise NotAllowed("Only the owner lets the work go on without an answer.")
    with workshop.database.writing() as db:
        row = _open_question(db, order_id, question_id)
        if not row.blocking or row.overridden_at is not None:
            raise AlreadyMoved("That question stops nothing.")
        asking.override(db, question_id, typed.reason, workshop.now())
        said = MoveDetails(question_id=question_id, reason=typed.reason)
        _go_on(db, workshop, order_id, said, who)
        mark_stale(db, [order_id])
    workshop.changed.set()


def _open_question(db: Connection, order_id: int, question_id: int) -> Any:
    """A question of an order. Raises NotFound, and AlreadyMoved where it is answered."""
    its = select(questions).where(questions.c.id == question_id, questions.c.order_id == order_id)
    row = db.execute(its).first()
    if row is None:
        raise NotFound("There is no such question.")
    if row.answered_at is not None:
        raise AlreadyMoved("That question was answered already.")
    return row


def _go_on(
    db: Connection, workshop: Workshop, order_id: int, said: MoveDetails, who: Person
) -> None:
    """What a question stopped goes on."""
    assert said.question_id is not None
    waiting = [Seen(piece.ref) for piece in _waiting(db, order_id, said.question_id)]
    perform_in(db, workshop, waiting, Kind.ANSWER, said, who)


def _waiting(db: Connection, order_id: int, question_id: int) -> list[Piece]:
    """The open pieces at whose gates a question stands."""
    return [
        piece
        for piece in store.pieces_of_order(db, order_id)
        if piece.state.open and any(gate.question == question_id for gate in piece.state.gates)
    ]


def _how_agreed(db: Connection, workshop: Workshop, order_id: int, channel: str, now: int) -> str:
    """Who agreed, which way and when: by Adwoa Farrow, by phone, 28 November 2026."""
    customer = db.execute(
        select(customers.c.name)
        .join(orders, orders.c.customer_id == customers.c.id)
        .where(orders.c.id == order_id)
    ).scalar_one()
    on = workshop.in_force().calendar.day_of(now)
    return f"by {customer}, {words.by_channel(channel)}, {on.day} {on:%B %Y}"
