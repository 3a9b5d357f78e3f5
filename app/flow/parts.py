"""Parts that come from suppliers: what they stop, and in which words that is said."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from sqlalchemy import Connection, select

from app.flow.gates import Gate
from app.flow.steps import Step, piece_code
from app.shared.calendar import Calendar
from app.shared.web.words import short_day
from app.tables import copies, orders, parts

# Each kind with the step that needs it, where nothing else is said: what is mounted is at packing.
NEEDED_AT: dict[str, Step] = {
    "base": Step.PACKING,
    "plate": Step.PACKING,
    "glass eyes": Step.PAINTING,
    "dome": Step.PACKING,
    "ribbon": Step.PACKING,
    "part": Step.PACKING,
}


def of_new_copy(db: Connection, order_id: int, model_id: int | None) -> tuple[Gate, ...]:
    """The gates of a copy that joins an order: the parts to come that are for all of it.

    A model, which has none that it is made from, waits for no part.
    """
    if model_id is None:
        return ()
    query = select(parts.c.id, parts.c.before_step).where(
        parts.c.order_id == order_id,
        parts.c.copy_id.is_(None),
        parts.c.here_at.is_(None),
        parts.c.gone_at.is_(None),
        parts.c.overridden_at.is_(None),
    )
    return tuple(Gate(-row.id, Step(row.before_step)) for row in db.execute(query))


def named(kind: str, what: str, code: str) -> str:
    """A part in words: the plate for A1; the dome for order 1042, round."""
    return f"the {kind} for {code}" + (f", {what}" if what else "")


def told(db: Connection, gates: Sequence[Gate], calendar: Calendar, now: int) -> tuple[Gate, ...]:
    """Gates with the words for which part is to come, and when."""
    wanted = [gate.part for gate in gates if gate.part is not None]
    if not wanted:
        return tuple(gates)
    query = (
        select(parts, orders.c.number, copies.c.letter, copies.c.number.label("copy"))
        .join(orders, orders.c.id == parts.c.order_id)
        .outerjoin(copies, copies.c.id == parts.c.copy_id)
        .where(parts.c.id.in_(wanted))
    )
    today = calendar.day_of(now)
    said = {
        -row["id"]: _due(row["kind"], _code(row), row["due_on"], today)
        for row in db.execute(query).mappings()
    }
    return tuple(replace(gate, about=said.get(gate.question, gate.about)) for gate in gates)


def _code(row: object) -> str:
    number, letter, copy = row["number"], row["letter"], row["copy"]  # type: ignore[index]
    return piece_code(number, letter, copy) if letter else f"order {number}"


def _due(kind: str, code: str, due_on: str | None, today: date) -> str:
    if due_on is None:
        return f"The {kind} for {code} is not here yet"
    day = date.fromisoformat(due_on)
    is_due = "is due on" if day >= today else "was due on"
    return f"The {kind} for {code} {is_due} {short_day(day, today)}"
