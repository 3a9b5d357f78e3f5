"""Parts that come from suppliers: noted, here, struck out, or gone without by the owner."""

from typing import Annotated, Any

from sqlalchemy import Connection, insert, select, update

from app.flow import store
from app.flow.actions import Act, Wish, begin_act, grant, settle
from app.flow.changes import change_in
from app.flow.parts import NEEDED_AT
from app.flow.rules import PART, Kind
from app.flow.steps import MAKING_STEPS, STEPS, Of, Step
from app.flow.store import Piece, Ref, mark_stale
from app.orders.order.actions import open_pieces
from app.shared.errors import AlreadyMoved, BadFields, NotAllowed, NotFound, Refused
from app.shared.people import Person, Role
from app.shared.web.fields import Day, Fields, Line, Reason, among
from app.studio.workshop import Workshop
from app.tables import parts

# Before which step a part may be needed; empty for the usual one of its kind.
BEFORE: dict[str, str] = {
    "": "as usual",
    **{str(step): STEPS[step].name.lower() for step in MAKING_STEPS},
}


class PartFields(Fields):
    """A part that was ordered. `about` is "order" or a copy, `before` the step that needs it."""

    kind: Annotated[str, among(NEEDED_AT)]
    what: Line
    supplier: Line
    ordered_on: Day
    due_on: Day
    before: Annotated[str, among(BEFORE)] = ""
    about: Line


class DueFields(Fields):
    """When a part is due now."""

    due_on: Day


class WithoutFields(Fields):
    """Why the work goes on without a part."""

    reason: Reason


def add(workshop: Workshop, order_id: int, typed: PartFields, who: Person, once: str) -> None:
    """Note a part that is to come: the copies wait for it at the step that needs it.

    Raises BadFields for days that cannot be, Refused where nothing waits for it any more.
    """
    now = workshop.now()
    _check_days(typed, workshop.in_force().calendar.day_of(now).isoformat())
    before = Step(typed.before) if typed.before else NEEDED_AT[typed.kind]
    with workshop.database.writing() as db:
        ref = None if typed.about in ("", "order") else Ref.read(typed.about)
        waiting = [p for p in open_pieces(db, order_id, ref) if _may_wait(p)]
        if not waiting:
            raise Refused("Nothing of this order waits for a part any more.")
        act = begin_act(db, who, now, once or None)
        if once and any(store.load(db, piece.ref, once).tapped for piece in waiting):
            raise AlreadyMoved("That part is already noted.")
        made = db.execute(
            insert(parts).values(
                order_id=order_id,
                copy_id=ref.id if ref is not None and ref.of is Of.COPY else None,
                kind=typed.kind,
                what=typed.what,
                supplier=typed.supplier,
                ordered_on=typed.ordered_on and typed.ordered_on.isoformat(),
                due_on=typed.due_on and typed.due_on.isoformat(),
                before_step=str(before),
                noted_at=now,
                account_id=who.account_id,
            )
        ).inserted_primary_key
        assert made is not None
        for piece in waiting:
            grant(act, piece, Wish(piece.ref, Kind.ASK, PART, amount=int(made[0]), before=before))
        settle(act)
    workshop.changed.set()


def _may_wait(piece: Piece) -> bool:
    return piece.ref.of is Of.COPY and piece.state.step is not Step.HANDED_OVER


def _check_days(typed: PartFields, today: str) -> None:
    if typed.ordered_on is not None and typed.ordered_on.isoformat() > today:
        raise BadFields({"ordered_on": "That is in the future. A day up to today."})
    if typed.due_on and typed.ordered_on and typed.due_on < typed.ordered_on:
        raise BadFields({"due_on": "That is before it was ordered."})


def change_due(
    workshop: Workshop, order_id: int, part_id: int, typed: DueFields, who: Person
) -> None:
    """A part comes on another day than was said."""
    due = typed.due_on and typed.due_on.isoformat()
    with workshop.database.writing() as db:
        _to_come(db, order_id, part_id)
        change_in(db, parts, part_id, order_id, {"due_on": due}, who, workshop.now())
        mark_stale(db, [order_id])
    workshop.changed.set()


def here(workshop: Workshop, order_id: int, part_id: int, who: Person) -> None:
    """A part is here: what waited for it goes on."""
    _close(workshop, order_id, part_id, {"here_at": workshop.now()}, who)


def strike(workshop: Workshop, order_id: int, part_id: int, who: Person) -> None:
    """A part is not wanted any more, or was noted wrongly."""
    _close(workshop, order_id, part_id, {"gone_at": workshop.now()}, who)


def without(
    workshop: Workshop, order_id: int, part_id: int, typed: WithoutFields, who: Person
) -> None:
    """Go on without a part that is not here, for a reason that stays in the log.

    Raises NotAllowed for anybody but the owner.
    """
    if who.role is not Role.OWNER:
        raise NotAllowed("Only the owner lets the work go on without a part.")
    values = {"overridden_at": workshop.now(), "overridden": typed.reason}
    _close(workshop, order_id, part_id, values, who, typed.reason)


def _close(
    workshop: Workshop, order_id: int, part_id: int, values: dict[str, Any], who: Person,
    reason: str = "",
) -> None:  # fmt: skip
    with workshop.database.writing() as db:
        row = _to_come(db, order_id, part_id)
        if reason and row.overridden_at is not None:
            raise AlreadyMoved("The work goes on without it already.")
        db.execute(update(parts).where(parts.c.id == part_id).values(**values))
        act = begin_act(db, who, workshop.now())
        for piece in _waiting(db, order_id, part_id):
            grant(act, piece, Wish(piece.ref, Kind.ANSWER, PART, amount=part_id, reason=reason))
        _settle(act, order_id)
    workshop.changed.set()


def _settle(act: Act, order_id: int) -> None:
    act.orders.add(order_id)
    settle(act)


def _to_come(db: Connection, order_id: int, part_id: int) -> Any:
    """A part of an order that is not here yet. Raises NotFound and AlreadyMoved."""
    its = select(parts).where(parts.c.id == part_id, parts.c.order_id == order_id)
    row = db.execute(its).first()
    if row is None:
        raise NotFound("There is no such part.")
    if row.here_at is not None or row.gone_at is not None:
        raise AlreadyMoved("That part is noted as here, or struck out, already.")
    return row


def _waiting(db: Connection, order_id: int, part_id: int) -> list[Piece]:
    """The open pieces that wait for a part, here or at a later step."""
    return [
        piece
        for piece in store.pieces_of_order(db, order_id)
        if piece.state.open and any(gate.part == part_id for gate in piece.state.gates)
    ]
