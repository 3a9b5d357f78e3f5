"""Bringing the gates of an order's copies in line with what its customer approves."""

from dataclasses import replace

from sqlalchemy import exists, select, update

from app.flow import store
from app.flow.actions import Act, append
from app.flow.approvals import rows as approval_rows
from app.flow.approvals import rules as approvals
from app.flow.approvals.rules import BEFORE, MODEL_APPROVAL, Approves
from app.flow.changes import change_in
from app.flow.gates import Gate
from app.flow.groups import made_from
from app.flow.rules import Kind, asks
from app.flow.steps import PLACE, Of, Step
from app.flow.store import Piece
from app.tables import changes, copies, orders, questions


def require_model(act: Act, order_id: int) -> None:
    """The customer of an order approves the model, whatever else they do."""
    asked = approval_rows.of_order(act.db, order_id)
    change_to(act, order_id, approvals.of_topics(asked.topics | {MODEL_APPROVAL}))


def change_to(act: Act, order_id: int, approves: Approves) -> None:
    """Change what the customer of an order approves, and keep who did."""
    before = approval_rows.of_order(act.db, order_id)
    if before is approves:
        return
    new = {"approves": approves.stored}
    change_in(act.db, orders, order_id, order_id, new, act.who, act.now)
    in_line(act, order_id, approves.topics - before.topics)


def take_back(act: Act, order_id: int, at: int) -> None:
    """What was changed of it at a moment (UTC seconds) was undone."""
    c = changes.c
    its = (c.order_id == order_id) & (c.of == "orders") & (c.field == "approves")
    row = act.db.execute(select(c.at, c.before).where(its).order_by(c.id.desc()).limit(1)).first()
    if row is not None and row.at == at:
        change_to(act, order_id, Approves(row.before or Approves.NOTHING))


def in_line(act: Act, order_id: int, newly: frozenset[str] = frozenset()) -> None:
    """Let a gate stand before every copy that has not come past what its order requires, and end
    the others.

    A model that was ready before its copy came in is asked about only where that is `newly` so.
    """
    topics = approval_rows.of_order(act.db, order_id).topics
    _end(act, order_id, topics)
    for piece in store.pieces_of_order(act.db, order_id):
        if piece.ref.of is not Of.COPY or not piece.state.open:
            continue
        row = {"id": piece.ref.id, "model_id": piece.model_id, "letter": piece.letter}
        row["number"] = piece.number
        for topic in sorted(topics):
            # Of several animals on one base the customer approves each model, and the paint once.
            made_of = (
                store.models_of(act.db, piece) if topic == MODEL_APPROVAL else [piece.model_id]
            )
            for model_id in made_of:
                about = {**row, "model_id": model_id}
                piece = _stand(act, piece, topic, about, new=topic in newly)


def _stand(act: Act, piece: Piece, topic: str, row: dict[str, object], *, new: bool) -> Piece:
    """Let the gate of an approval stand before a copy; gives the copy as it is then."""
    step, before = piece.state.step, BEFORE[topic]
    if PLACE[step] > PLACE[before]:
        return piece
    model_id = int(str(row["model_id"]))
    known = approval_rows.still_counts(act.db, piece.order_id, topic, model_id, piece.ref.id)
    if known is None:
        if topic == MODEL_APPROVAL and step is not Step.NOT_BEGUN and not new:
            return piece
        made = approval_rows.require(act.db, piece.order_id, topic, row, act.who, act.now)
        gate = Gate(made, before, unasked=True)
    elif known.answered_at is not None or known.overridden_at is not None:
        return piece
    else:
        gate = Gate(known.id, before, unasked=not known.asked)
    if any(one.question == gate.question for one in piece.state.gates):
        return piece
    return _add(act, piece, gate, Kind.ASK)


def _end(act: Act, order_id: int, topics: frozenset[str]) -> None:
    """Close the approvals that nothing of an order waits for any more, and end their gates."""
    c, k = questions.c, copies.c
    its = (c.order_id == order_id) & c.round.is_not(None) & c.answered_at.is_(None)
    made = exists().where(
        k.order_id == order_id, made_from(c.model_id), k.withdrawn == 0, k.step != Step.CANCELLED
    )
    gone = its & (c.topic.not_in(topics) | (c.topic == MODEL_APPROVAL) & ~made)
    ids = set(act.db.execute(select(c.id).where(gone)).scalars())
    if ids:
        act.db.execute(
            update(questions).where(c.id.in_(ids)).values(answered_at=act.now, dropped=1)
        )
    of_models = select(c.id, c.model_id).where(its | c.id.in_(ids), c.model_id.is_not(None))
    model_of = {row.id: row.model_id for row in act.db.execute(of_models)}
    for piece in store.pieces_of_order(act.db, order_id):
        if piece.ref.of is not Of.COPY or not piece.state.open:
            continue
        # A copy that came to another version of its model waits for that one's.
        own = store.models_of(act.db, piece) if piece.state.gates else ()
        for gate in piece.state.gates:
            other = model_of.get(gate.question, piece.model_id) not in own
            if gate.question in ids or other:
                piece = _add(act, piece, gate, Kind.ANSWER)


def _add(act: Act, piece: Piece, gate: Gate, kind: Kind) -> Piece:
    """Let a gate stand, or end it; gives the piece as it is then."""
    entry = asks(gate, max(act.now, piece.state.last_at), act.now, act.who.account_id)
    append(act, piece, replace(entry, kind=kind))
    return act.done.pieces[-1][0]
