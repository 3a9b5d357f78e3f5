"""Logs for pure tests: written entry by entry, or walked at random through what is offered."""

from dataclasses import dataclass, field, replace

from hypothesis import strategies as st

from app.flow.offers import Offer, offers
from app.flow.rules import BATCH, Entry, Kind, Policy, State, Whose, after, refusal
from app.flow.steps import STARTS, Of, Step, moves_from
from app.shared.people import Role

START = 1_700_000_000
STUDIOS = tuple(Policy(blank, dead) for blank in (True, False) for dead in (False, True))


@dataclass
class Line:
    """A log under construction: each call adds an entry at a moment of its own."""

    of: Of
    log: list[Entry] = field(default_factory=list)

    def add(self, kind: Kind, at: int, to: Step | None = None, **more: object) -> Entry:
        number = len(self.log) + 1
        entry = Entry(number, number, kind, at, at, to, **more)
        self.log.append(entry)
        return entry

    def enter(self, step: Step, at: int, **more: object) -> Entry:
        return self.add(Kind.ENTER, at, step, **more)

    def move(self, key: str, end: Step, at: int, **more: object) -> Entry:
        return self.add(Kind.MOVE, at, end, move=key, **more)


def entry_for(offer: Offer, at: int, **more: object) -> Entry:
    """The entry that an offer would write, with everything said that it asks for."""
    said: dict[str, object] = {"move": offer.key if offer.kind is Kind.MOVE else ""}
    if {"reason", "finding"} & set(offer.needs) or offer.kind is Kind.ASIDE:
        said["reason"] = "a chipped ear"
    if "whose" in offer.needs:
        said["whose"] = Whose.CUSTOMER
    if "until" in offer.needs:
        said["until"] = at + 3_600
    if "parcel" in offer.needs:
        said["amount"] = 7
    return Entry(0, 0, offer.kind, at, at, offer.end, **(said | more))


# A step of a random walk: which of the things that can be done, and how long after the last.
STEPS_OF_A_WALK = st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 400_000)), max_size=40)


@dataclass
class Walk:
    """A random walk: the log it left, and the state it kept beside it, entry by entry."""

    of: Of
    studio: Policy
    log: list[Entry]
    states: list[State]


def _before(state: State, question: int) -> Step | None:
    return next((gate.step for gate in state.gates if gate.question == question), None)


def walk(of: Of, start: int, studio: Policy, picks: list[tuple[int, int]]) -> Walk:
    """Follow picks through whatever may happen: offers, questions, word that photos were sent."""
    first = STARTS[of][start % len(STARTS[of])]
    log = [Entry(1, 1, Kind.ENTER, START, START, first)]
    states = [after(of, None, log[0])]
    for pick, gap in picks:
        state = states[-1]
        at = state.last_at + gap
        choices = [entry_for(o, at, by=pick % 3 + 1) for o in offers(state, Role.DESK, studio)]
        choices += [Entry(0, 0, kind, at, at) for kind in (Kind.ASK, Kind.ANSWER, Kind.TOLD)]
        before = list(Step)[pick % len(Step)]
        choices.append(Entry(0, 0, Kind.ASK, at, at, before, question_id=1))
        choices.append(Entry(0, 0, Kind.ANSWER, at, at, _before(state, 1), question_id=1))
        choices += [
            Entry(0, 0, kind, at, at, move=BATCH, amount=pick, reason="so")
            for kind in (Kind.START, Kind.FINDING)
        ]
        choices = [c for c in choices if refusal(state, c, studio) is None]
        if not choices:
            break
        number = len(log) + 1
        chosen = replace(choices[pick % len(choices)], id=number, seq=number)
        log.append(chosen)
        states.append(after(of, state, chosen))
    return Walk(of, studio, log, states)


def every_move_key(of: Of) -> set[str]:
    """The keys of every move of a kind of piece."""
    return {move.key for step in Step for move in moves_from(of, step)}


def walks(*of: Of) -> st.SearchStrategy[Walk]:
    """Random walks of some kinds of piece, in studios of every way of working."""
    return st.builds(
        walk, st.sampled_from(of), st.integers(0, 6), st.sampled_from(STUDIOS), STEPS_OF_A_WALK
    )


WALKS = walks(*Of)
MODEL_WALKS = walks(Of.MODEL)
