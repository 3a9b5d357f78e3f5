"""Job tickets: what goes with a piece from bench to bench, on paper. Nothing of the customer's."""

from collections.abc import Iterable
from dataclasses import dataclass

import segno
from sqlalchemy import Connection, select

from app.bench import rules
from app.bench.store import PieceRows, read
from app.flow import parts
from app.flow import store as flow
from app.flow.rules import Entry, effective, is_rework
from app.flow.steps import CAUSES, STEPS, MoveKey, Of, Step
from app.flow.store import Ref
from app.orders.order.history import code_of
from app.orders.order.view import copy_facts
from app.photos import assessment
from app.shared.errors import NotFound
from app.studio.workshop import Workshop
from app.tables import orders

# A batch of a day, and what a browser lays out in a moment.
MOST = 60
TO_BEGIN = (Step.NOT_BEGUN, *(step for step, facts in STEPS.items() if facts.usual))


@dataclass(frozen=True, slots=True)
class Ticket:
    """A piece's ticket: its record, and what is worked out from it for paper.

    `facts` are its size, pose and what else was ordered, in words; `again` says why it or part of
    it is made again; `picture` is the first of the views worked from, None where none was chosen;
    `to_come` are the parts that it waits for, each with its day.
    """

    rows: PieceRows
    code: str
    facts: str
    again: str
    picture: assessment.View | None
    to_come: tuple[str, ...]
    cautions: tuple[str, ...]
    address: str


def tickets_of(workshop: Workshop, db: Connection, refs: Iterable[Ref], at: str) -> list[Ticket]:
    """The tickets of some pieces, as many as MOST. `at` is where the staff's pages are.

    Raises NotFound for a piece that there is not.
    """
    return [_ticket(workshop, db, ref, at) for ref in list(refs)[:MOST]]


def _ticket(workshop: Workshop, db: Connection, ref: Ref, at: str) -> Ticket:
    rows = read(db, ref)
    piece, copy = rows.piece, ref.of is Of.COPY
    chosen = assessment.views_of(workshop, db, piece.model_id)
    views = assessment.in_order(chosen, [dict(mark) for mark in rows.marks])
    ordered = [gate for gate in piece.state.gates if gate.part is not None]
    told = parts.told(db, ordered, workshop.in_force().calendar, workshop.now())
    return Ticket(
        rows=rows,
        code=code_of(rows.order["number"], piece),
        facts=copy_facts(rows.row, rows.animal["height"]) if copy else "",
        again=_again(db, rows),
        picture=views[0][1] if views else None,
        to_come=tuple(gate.about for gate in told),
        cautions=rules.cautions(piece.state.step),
        address=f"{at.rstrip('/')}/pieces/{ref.of}/{ref.id}",
    )


def _again(db: Connection, rows: PieceRows) -> str:
    """Why the piece is made again, or goes back: "a chipped ear (painting)"; "" where it does not.

    What has passed inspection since is mended.
    """
    log = effective(rows.log)
    if rows.piece.making > 1 and rows.row["replaces_id"] is not None:
        log = [*effective(flow.log_of(db, Ref(Of.COPY, rows.row["replaces_id"]))), *log]
    said = ""
    for entry in log:
        if entry.move == MoveKey.REMAKE or is_rework(entry):
            said = _finding(entry)
        elif entry.move == MoveKey.PASSED:
            said = ""
    return said


def _finding(entry: Entry) -> str:
    cause = CAUSES.get(entry.cause, "")
    return f"{entry.reason} ({cause})" if cause else entry.reason


def of_order(db: Connection, number: int) -> list[Ref]:
    """The pieces of an order that are being made. Raises NotFound."""
    order = db.execute(select(orders.c.id).where(orders.c.number == number)).scalar()
    if order is None:
        raise NotFound("There is no such order.")
    return [piece.ref for piece in flow.pieces_of_order(db, order) if piece.state.step in TO_BEGIN]


def came_to(db: Connection, step: Step, since: int) -> list[Ref]:
    """The pieces that stand at a step and came there at or after a moment (UTC seconds)."""
    of = STEPS[step].of
    table = flow.TABLE[of]
    here = (table.c.step == str(step)) & (table.c.entered_at >= since) & (table.c.open == 1)
    query = (
        select(table.c.id).where(here).order_by(table.c.order_id, table.c.letter, table.c.number)
    )
    return [Ref(of, id_) for id_ in db.execute(query).scalars()]


def qr(address: str) -> str:
    """A QR code (ISO/IEC 18004, level M) as an SVG that scales: numbers only, none of `address`."""
    drawn: str = segno.make(address, error="m", micro=False).svg_inline(omitsize=True, border=2)
    return drawn
