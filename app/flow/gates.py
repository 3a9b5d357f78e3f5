"""Gates: what the customer was asked, or a part that is not here, stops a piece at a step. Pure.

A gate belongs to a question, or to a part that is still to come. It stops the piece at the step
that it stands before and at every later one; without a step it stops the piece wherever it is.
Going back, a hold, setting aside and cancelling stay open, and so does what happens by itself: a
machine ends its run, pictures come.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from app.flow.steps import PLACE, STEPS, Move, MoveKey, Step


@dataclass(frozen=True, slots=True)
class Gate:
    """An open question that stops a piece: its number, and the step before which it stands.

    A part that is not here yet has its own number below zero. While a gate is `unasked`, nobody has
    shown the customer yet what they are to approve.

    `about` says who asked whom, about what and when; it is empty where nobody has looked it up.
    `unpaid` says that it is money that is missing.
    """

    question: int
    step: Step | None = None
    unasked: bool = False
    about: str = ""
    unpaid: bool = False

    @property
    def part(self) -> int | None:
        """The part that is waited for; None where it is an answer."""
        return -self.question if self.question < 0 else None

    def stops_at(self, step: Step) -> bool:
        """Whether a piece that stands at a step is stopped."""
        return self.step is None or PLACE[step] >= PLACE[self.step]


_UNASKED = "unasked"


def written(gates: Iterable[Gate]) -> str:
    """Gates as a piece's row keeps them: `12: 15:painting 16:blank:unasked`; "" for none."""
    return " ".join(
        f"{gate.question}:{gate.step or ''}" + (f":{_UNASKED}" if gate.unasked else "")
        for gate in gates
    )


def read(text: str) -> tuple[Gate, ...]:
    """The gates of a piece's row."""
    found = (one.split(":") for one in text.split())
    return tuple(
        Gate(int(number), Step(step) if step else None, unasked=more == [_UNASKED])
        for number, step, *more in found
    )


def without(gates: Iterable[Gate], question: int) -> tuple[Gate, ...]:
    """The gates that are left when a question stops nothing any more."""
    return tuple(gate for gate in gates if gate.question != question)


def asked(gates: Iterable[Gate], step: Step) -> bool:
    """Whether one stops a piece at a step that the customer has been asked: the time is theirs."""
    own = (gate for gate in gates if gate.part is None and not gate.unasked)
    return any(gate.stops_at(step) for gate in own)


def lacking(gates: Iterable[Gate], step: Step) -> bool:
    """Whether a part that is not here yet stops a piece at a step."""
    return any(gate.part is not None and gate.stops_at(step) for gate in gates)


def passes(move: Move) -> bool:
    """Whether a move is work that goes on, and so waits at a gate."""
    return move.forward and not move.by_itself and move.key != MoveKey.PHOTOS_COUNTED


def refusal_at(gates: Iterable[Gate], step: Step) -> str | None:
    """Why work at a step does not go on, and what to do about it; None where it does."""
    gate = next((gate for gate in gates if gate.stops_at(step)), None)
    if gate is None:
        return None
    if gate.unpaid:
        to_do = "Note the payment on the order, or the owner can go on without it."
        return f"{gate.about}; the work waits for that. {to_do}"
    name = STEPS[step].name.lower()
    if gate.part is not None:
        due = gate.about or "A part is not here yet"
        to_do = "Note it as here on the order, or the owner can go on without it."
        return f"{due}; {name} waits for it. {to_do}"
    if gate.unasked:
        asked = gate.about or "The customer has to approve something first"
        to_do = "Send the pictures, or the owner can go on without an answer."
        return f"{asked}; {name} waits for that. {to_do}"
    asked = gate.about or "The customer has been asked something"
    return (
        f"{asked}; {name} waits for the answer. Log the answer, or the owner can go on without one."
    )
