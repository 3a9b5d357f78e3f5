"""What may happen to a piece, and what its log says of it. Pure: no clock, no database.

A piece's log is a sequence of entries. `effective` takes out what was undone and puts in what
was corrected; `fold` turns what is left into the state the piece is in; `refusal` says why a
wish cannot be granted.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import Any

from app.flow.gates import Gate, asked, lacking, passes, refusal_at, without
from app.flow.steps import (
    ASKED_AGAIN,
    ENDS,
    MAKING_STEPS,
    MOVES_FROM,
    OF_NO_STEP,
    PASSED,
    REWORKS,
    STEPS,
    Move,
    MoveKey,
    Of,
    Step,
)
from app.shared.people import EVERYBODY, Role

FREE_AFTER_THIRD = 3
UNASKED = "unasked"


# The move of an entry by which a part, and no question, opens or closes a gate.
PART = "part"
# The move of an entry by which blanks begin in a batch, or came out of it not good.
BATCH = "batch"
# Why a piece is set aside while a coat on it dries.
DRYING = "drying"
DRIES = "It is set aside to dry. Take it up again first."


class Kind(StrEnum):
    """What an entry of the log says."""

    ENTER = "enter"
    MOVE = "move"
    START = "start"
    ASIDE = "aside"
    HOLD = "hold"
    LIFT = "lift"
    ASK = "ask"
    ANSWER = "answer"
    TOLD = "told"
    FINDING = "finding"
    UNDO = "undo"
    CORRECTION = "correction"


class Whose(StrEnum):
    """On whose account something is on hold or cancelled."""

    CUSTOMER = "customer"
    STUDIO = "studio"
    SUPPLIER = "supplier"


class TimeIs(StrEnum):
    """How a moment came to be known."""

    PRESSED = "pressed"
    TYPED = "typed"
    ASSUMED = "assumed"
    IMPORTED = "imported"


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a piece's log. Moments are UTC seconds; `by` is an account or None.

    `until` is the moment to which a piece is set aside, or with a move that from which it may be
    wrapped (`reason` is then the last coat, in words); on entering after the photo
    steps it is the moment at which the photos were accepted, where that is known. `to_step` of a
    question and of what ends its gate is the step before which it stops the piece, None for any;
    an answer with a `reason` is the owner's, who goes on without one. Where the `move` of both is
    PART, it is a part that is waited for, and `amount` its number; where it is UNASKED, nobody had
    asked the customer yet. A START and a FINDING whose `move` is BATCH are of the batch `amount`.
    """

    id: int
    seq: int
    kind: Kind
    happened_at: int
    recorded_at: int
    to_step: Step | None = None
    move: str = ""
    act: int = 0
    by: int | None = None
    time_is: TimeIs = TimeIs.PRESSED
    reason: str = ""
    cause: str = ""
    whose: str = ""
    until: int | None = None
    look_on: str | None = None
    amount: int | None = None
    question_id: int | None = None
    about_id: int | None = None
    once: str | None = None


@dataclass(frozen=True, slots=True)
class State:
    """Where a piece stands: what folding its log gives, and what its cached columns hold."""

    of: Of
    step: Step
    entered_at: int
    last_at: int
    in_hand: bool = False
    hand_id: int | None = None
    aside_until: int | None = None
    aside_reason: str = ""
    hold_reason: str = ""
    hold_whose: str = ""
    hold_look_on: str | None = None
    gates: tuple[Gate, ...] = ()
    told_at: int | None = None
    counted_at: int | None = None
    passed_at: int | None = None
    attempts: int = 0
    reworks: int = 0
    rests_until: int | None = None

    @property
    def open(self) -> bool:
        """Whether anything can still happen to the piece."""
        return self.step not in ENDS

    @property
    def held(self) -> bool:
        """Whether the piece is on hold."""
        return bool(self.hold_whose)

    @property
    def in_batch(self) -> bool:
        """Whether a machine makes its blank now: that ends, whether or not the studio waits."""
        return self.step is Step.BLANK and self.in_hand

    @property
    def stopped(self) -> bool:
        """Whether an open question stops the piece where it stands."""
        return any(gate.stops_at(self.step) for gate in self.gates)

    def drying_at(self, moment: int) -> bool:
        """Whether the piece lies set aside to dry at a moment: nothing of its step is done then."""
        lies = self.aside_reason == DRYING and not self.in_hand
        return lies and (self.aside_until is None or self.aside_until > moment)

    @property
    def asked(self) -> bool:
        """Whether one stops it that the customer has been asked: its time is the customer's."""
        return asked(self.gates, self.step)

    @property
    def lacking(self) -> bool:
        """Whether a part that is not here yet stops the piece where it stands."""
        return lacking(self.gates, self.step)


def gate_number(entry: Entry) -> int:
    """The number of the gate that an entry opens or closes: a part's is below zero."""
    return -(entry.amount or 0) if entry.move == PART else entry.question_id or 0


def naming(gate: Gate) -> dict[str, Any]:
    """What of an entry names a gate, as `gate_number` reads it."""
    if gate.part is not None:
        return {"move": PART, "amount": gate.part}
    return {"question_id": gate.question, "move": UNASKED if gate.unasked else ""}


@dataclass(frozen=True, slots=True)
class Policy:
    """What the rules need to know beside the piece: is there a blank step, is the animal dead."""

    blank_on: bool = True
    remembered: bool = False


def asks(gate: Gate, at: int, now: int, by: int | None) -> Entry:
    """The entry by which a gate stands before a piece from a moment on, written down now."""
    return Entry(
        id=0, seq=0, kind=Kind.ASK, happened_at=at, recorded_at=max(now, at), to_step=gate.step,
        by=by, **naming(gate),
    )  # fmt: skip


def effective(log: Sequence[Entry]) -> list[Entry]:
    """The log as it should have been: undone entries out, corrected ones in their right form."""
    undone = {entry.about_id for entry in log if entry.kind is Kind.UNDO}
    corrections = {e.about_id: e for e in log if e.kind is Kind.CORRECTION}
    kept = (
        entry
        for entry in log
        if entry.id not in undone and entry.kind not in (Kind.UNDO, Kind.CORRECTION)
    )
    return [
        right
        for entry in kept
        if (right := _corrected(entry, corrections.get(entry.id))) is not None
    ]


def _corrected(entry: Entry, correction: Entry | None) -> Entry | None:
    """The entry in its right form; None where the correction says that it never happened."""
    if correction is None:
        return entry
    if correction.to_step is None:
        return None
    return replace(
        entry,
        happened_at=correction.happened_at,
        to_step=correction.to_step if entry.kind in (Kind.ENTER, Kind.MOVE) else entry.to_step,
        move=correction.move if entry.kind is Kind.MOVE else entry.move,
        time_is=TimeIs.TYPED,
        # Another move may need a reason where the wrong one had none.
        reason=entry.reason or (correction.reason if correction.move != entry.move else ""),
    )


def fold(of: Of, log: Sequence[Entry]) -> State:
    """The state that a log gives.

    Raises ValueError for a log without an entry that lets the piece in.
    """
    state: State | None = None
    for entry in effective(log):
        state = after(of, state, entry)
    if state is None:
        raise ValueError("a piece's log begins with its entering")
    return state


def after(of: Of, state: State | None, entry: Entry) -> State:
    """The state after one more entry. Whether the entry is allowed is `refusal`'s to say."""
    if state is None:
        if entry.kind is not Kind.ENTER or entry.to_step is None:
            raise ValueError("a piece's log begins with its entering")
        moment = entry.happened_at
        return State(of, entry.to_step, moment, moment, passed_at=entry.until)
    state = replace(state, last_at=max(state.last_at, entry.happened_at))
    match entry.kind:
        case Kind.MOVE:
            return _moved(state, entry)
        case Kind.START:
            # In a machine it is in nobody's hand.
            hand = None if entry.move == BATCH else entry.by
            return replace(state, in_hand=True, hand_id=hand, aside_until=None, aside_reason="")
        case Kind.ASIDE:
            hand = state.hand_id if state.hand_id is not None else entry.by
            return replace(
                state, in_hand=False, hand_id=hand,
                aside_until=entry.until, aside_reason=entry.reason,
            )  # fmt: skip
        case Kind.HOLD:
            return replace(
                state, hold_reason=entry.reason, hold_whose=entry.whose, hold_look_on=entry.look_on
            )
        case Kind.LIFT:
            return replace(state, hold_reason="", hold_whose="", hold_look_on=None)
        case Kind.ASK:
            gate = Gate(gate_number(entry), entry.to_step, entry.move == UNASKED)
            return replace(state, gates=(*without(state.gates, gate.question), gate))
        case Kind.ANSWER:
            return replace(state, gates=without(state.gates, gate_number(entry)))
        case Kind.TOLD:
            return replace(state, told_at=entry.happened_at)
        case Kind.FINDING if entry.move == BATCH:
            # It waits for the next batch, and nobody's work is done again.
            return replace(state, in_hand=False)
        case Kind.FINDING:
            return replace(state, reworks=state.reworks + 1)
        case _:
            return state


def _moved(state: State, entry: Entry) -> State:
    assert entry.to_step is not None
    again = entry.move in ASKED_AGAIN
    return replace(
        state,
        step=entry.to_step,
        entered_at=entry.happened_at,
        in_hand=False,
        hand_id=None,
        aside_until=None,
        aside_reason="",
        # What has left the house waits for no answer, not even when it comes back.
        gates=() if entry.to_step is Step.HANDED_OVER else state.gates,
        told_at=None if again else state.told_at,
        counted_at=entry.happened_at if entry.move == MoveKey.PHOTOS_COUNTED else state.counted_at,
        passed_at=_passed_at(state, entry),
        attempts=state.attempts + again,
        reworks=state.reworks + (entry.move in REWORKS),
        # What cures goes on curing, whatever is found and done again meanwhile.
        rests_until=entry.until or state.rests_until,
    )


def _passed_at(state: State, entry: Entry) -> int | None:
    if entry.move in PASSED:
        return entry.happened_at
    return None if entry.move in ASKED_AGAIN else state.passed_at


def find_move(of: Of, step: Step, key: str, policy: Policy) -> Move | None:
    """The move that a key stands for at a step, or None."""
    moves = MOVES_FROM.get((of, step), ())
    return next((m for m in moves if m.key == key and not _switched_off(m, policy)), None)


def _switched_off(move: Move, policy: Policy) -> bool:
    """Whether the studio's way of working has no such move."""
    if move.key == MoveKey.BEGUN:
        return (move.end is Step.BLANK) != policy.blank_on
    return move.end is Step.BLANK and not policy.blank_on


def refusal(state: State, entry: Entry, policy: Policy) -> str | None:
    """Why an entry may not follow a state, in words for the page; None where it may."""
    if not state.open:
        return f"This piece is closed: {STEPS[state.step].name.lower()}."
    if entry.happened_at < state.last_at:
        return "That is before the last thing that happened to this piece. Type a later time."
    if state.held and not _allowed_on_hold(state, entry):
        return "This piece is on hold. Resume it first."
    match entry.kind:
        case Kind.MOVE:
            return _move_refusal(state, entry, policy)
        case Kind.START | Kind.FINDING if entry.move == BATCH:
            return _batch_refusal(state, entry)
        case Kind.START | Kind.ASIDE:
            return _hand_refusal(state, entry)
        case Kind.HOLD:
            return "It is already on hold." if state.held else _whose_refusal(entry)
        case Kind.LIFT:
            return None if state.held else "It is not on hold."
        case Kind.ASK:
            gate = _gate(state, entry)
            return None if gate is None or gate.unasked else "That question is open already."
        case Kind.ANSWER:
            return None if _gate(state, entry) else "No question is open."
        case Kind.TOLD:
            wanted = state.step is Step.PHOTOS_WANTED
            return None if wanted else "We need no photos of this animal now."
        case Kind.FINDING:
            made = state.step in MAKING_STEPS
            return (
                None
                if made
                else "Nothing has been made yet, so there is nothing to find a fault in."
            )
        case _:
            return "That cannot come next here. Load the page again."


def _gate(state: State, entry: Entry) -> Gate | None:
    """The gate of the question that an entry speaks of."""
    return next((g for g in state.gates if g.question == gate_number(entry)), None)


def _allowed_on_hold(state: State, entry: Entry) -> bool:
    if state.in_batch and entry.move in (MoveKey.BLANK_DONE, BATCH):
        return True
    if entry.kind is not Kind.MOVE:
        return entry.kind in (Kind.LIFT, Kind.ASK, Kind.ANSWER, Kind.TOLD, Kind.HOLD)
    # A machine ends its run and a carrier delivers whether or not the studio waits.
    moves = [m for m in MOVES_FROM.get((state.of, state.step), ()) if m.key == entry.move]
    return entry.move == MoveKey.CANCEL or any(m.by_itself for m in moves)


def _move_refusal(state: State, entry: Entry, policy: Policy) -> str | None:
    move = find_move(state.of, state.step, entry.move, policy)
    if move is None or move.end is not entry.to_step:
        return f"From {STEPS[state.step].name} that cannot be done. Load the page again."
    if move.key == MoveKey.NEW_SET and policy.remembered:
        return (
            "This animal has died and cannot be photographed again. Work from the photos there "
            "are, or sculpt by eye."
        )
    waits = passes(move) and not state.in_batch
    if waits and (why := refusal_at(state.gates, state.step)) is not None:
        return why
    if move.forward and state.drying_at(entry.happened_at):
        return DRIES
    if "whose" in move.needs:
        return _whose_refusal(entry)
    if {"reason", "finding"} & set(move.needs) and not entry.reason:
        return "Say why, in a few words."
    if "parcel" in move.needs and entry.amount is None:
        return "Say which parcel it leaves in."
    return None


def _batch_refusal(state: State, entry: Entry) -> str | None:
    if state.step is not Step.BLANK:
        return f"It is in {STEPS[state.step].name}: blanks are made in batches before that."
    if entry.kind is Kind.FINDING:
        return None if state.in_hand else "It is in no batch."
    if state.in_hand:
        return "It is in a batch already."
    return refusal_at(state.gates, state.step)


def _hand_refusal(state: State, entry: Entry) -> str | None:
    if not STEPS[state.step].take:
        return f"Pieces are not taken up in {STEPS[state.step].name}."
    if entry.kind is Kind.START and state.in_hand and state.hand_id == entry.by:
        return "You have it in hand already."
    if entry.kind is Kind.START and (why := refusal_at(state.gates, state.step)) is not None:
        return why
    if entry.kind is Kind.ASIDE and entry.until is not None and entry.until <= entry.happened_at:
        return "Until when? That has passed already."
    return None


def _whose_refusal(entry: Entry) -> str | None:
    if entry.whose not in tuple(Whose):
        return "Say who it is waiting on: the customer, us or a supplier."
    return None if entry.reason else "Say why, in a few words."


def allowed_roles(state: State, entry: Entry, policy: Policy) -> frozenset[Role]:
    """Who may make this entry; nobody where the flow has no such move."""
    if entry.kind is not Kind.MOVE:
        return EVERYBODY
    move = find_move(state.of, state.step, entry.move, policy)
    return move.roles if move else frozenset()


def is_finding(entry: Entry) -> bool:
    """Whether an entry says that something is wrong with a copy, whatever was done about it."""
    return entry.kind is Kind.FINDING or (
        entry.kind is Kind.MOVE and (entry.move in REWORKS or entry.move == MoveKey.REMAKE)
    )


def is_rework(entry: Entry) -> bool:
    """Whether work on a copy is done again: a blank that came out not good is made anew instead."""
    return entry.move in REWORKS or (entry.kind is Kind.FINDING and entry.move != BATCH)


def cause_of(entry: Entry) -> str:
    """What caused a finding: as said, else the step that the piece went back to; "" unknown."""
    if entry.move in REWORKS and entry.cause not in OF_NO_STEP:
        return entry.move.removeprefix("back_to_")
    return entry.cause


def to_take_up(state: State) -> bool:
    """Whether the piece waits for a hand: nobody has begun on it here, or it was set aside."""
    return bool(STEPS[state.step].take) and not state.in_hand


def copies_may_join(deadline: str, today: date) -> bool:
    """Whether copies may still join an order: to the end of its copy deadline's day."""
    return date.fromisoformat(deadline) >= today


def past_the_third(state: State) -> bool:
    """Whether pictures were asked for so often that the desk decides how to go on."""
    return state.attempts >= FREE_AFTER_THIRD
