"""What may be done to a piece now: the buttons of its page. Pure.

Whatever `app.flow.rules.refusal` would refuse is not offered, so that a page never shows a button
that the rule says no to.
"""

from dataclasses import dataclass

from app.flow.rules import Entry, Kind, Policy, State, Whose, refusal, to_take_up
from app.flow.steps import MAKING_STEPS, MOVES_FROM, STEPS, Step
from app.shared.people import Role


@dataclass(frozen=True, slots=True)
class Offer:
    """Something that may be done to a piece now: a button, or a form where it `needs` words."""

    key: str
    kind: Kind
    label: str
    needs: tuple[str, ...] = ()
    main: bool = False
    forward: bool = True
    end: Step | None = None


def offers(state: State, role: Role, policy: Policy) -> tuple[Offer, ...]:
    """Everything this role may do to the piece now; the first with `main` is the main button."""
    if not state.open:
        return ()
    if state.held:
        lift = Offer("lift", Kind.LIFT, "Resume", main=True)
        return (lift, *_move_offers(state, role, policy, main=False))
    take = STEPS[state.step].take
    found: list[Offer] = []
    if to_take_up(state) and not state.stopped:
        label = "Take up" if state.aside_reason or state.aside_until else take
        found.append(Offer("start", Kind.START, label, main=True))
    found.extend(_move_offers(state, role, policy, main=not found))
    if take:
        found.append(Offer("aside", Kind.ASIDE, "Set aside", ("until", "reason"), forward=False))
    if state.step in MAKING_STEPS:
        found.append(
            Offer("finding", Kind.FINDING, "Repair at this bench", ("finding",), forward=False)
        )
    hold = Offer("hold", Kind.HOLD, "Hold", ("reason", "whose", "look_on"), forward=False)
    return (*found, hold)


def _move_offers(state: State, role: Role, policy: Policy, *, main: bool) -> list[Offer]:
    found: list[Offer] = []
    for move in MOVES_FROM.get((state.of, state.step), ()):
        probe = Entry(
            0, 0, Kind.MOVE, state.last_at, state.last_at, move.end, move.key,
            reason="-", whose=Whose.STUDIO, amount=0,
        )  # fmt: skip
        if role not in move.roles or refusal(state, probe, policy) is not None:
            continue
        first = main and move.forward and not any(offer.main for offer in found)
        found.append(
            Offer(move.key, Kind.MOVE, move.label, move.needs, first, move.forward, move.end)
        )
    return found
