"""Taking back and putting right: what may be undone, and which corrections stand. Pure.

Both leave the log as it is and add to it. An undo is for the last thing that happened, within
minutes; a correction is taken whenever the log that it gives is legal from end to end.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from app.flow.gates import Gate, passes
from app.flow.rules import BATCH, Entry, Kind, Policy, State, after, effective, gate_number, refusal
from app.flow.steps import MOVES, STARTS, STEPS, MoveKey, Of, Step, moves_from
from app.shared.people import EVERYBODY, Role

UNDO_WITHIN = 600
UNDOABLE = frozenset({Kind.MOVE, Kind.START, Kind.ASIDE, Kind.HOLD, Kind.LIFT, Kind.TOLD})
CORRECTABLE = UNDOABLE | {Kind.ENTER, Kind.FINDING}
# Moves that write more than their own entry: a correction cannot make that up afterwards.
CARRYING = frozenset({MoveKey.MODEL_FINISHED, MoveKey.REMAKE, MoveKey.HANDED_OVER})


def first_refusal(of: Of, step: Step | None) -> str | None:
    """Why a piece may not enter at a step."""
    if step in STARTS[of]:
        return None
    return f"A {of} cannot enter at {STEPS[step].name if step else 'no step'}."


def roles_of(entry: Entry) -> frozenset[Role]:
    """Who may make an entry like this one, and so who may undo it."""
    found = [move.roles for move in MOVES if move.key == entry.move]
    return frozenset().union(*found) if found and entry.kind is Kind.MOVE else EVERYBODY


def undoable(entry: Entry) -> bool:
    """Whether an entry is of a kind that is undone; a finding is only what a batch came out as."""
    return entry.kind in UNDOABLE or (entry.kind is Kind.FINDING and entry.move == BATCH)


def undo_refusal(log: Sequence[Entry], entry_id: int, now: int) -> str | None:
    """Why an entry may not be undone: only a piece's last move, and only for ten minutes."""
    line = effective(log)
    if not line or line[-1].id != entry_id:
        return "Only the last thing that happened to a piece can be undone."
    if not undoable(line[-1]):
        return "This cannot be undone. Use a correction."
    if now - line[-1].recorded_at > UNDO_WITHIN:
        return "The ten minutes for undoing are over. Use a correction."
    return None


def correction_refusals(of: Of, log: Sequence[Entry], right: Entry, policy: Policy) -> list[str]:
    """What stands in the way of a correction: empty where the corrected log is legal.

    `right` is an entry of kind CORRECTION; its `about_id` names the wrong entry, its `to_step`
    and `happened_at` give the right step and time, a `to_step` of None says that it never
    happened. Each sentence names what has to be corrected first.
    """
    wrong = next((e for e in effective(log) if e.id == right.about_id), None)
    if wrong is None or wrong.kind not in CORRECTABLE:
        return ["There is nothing to correct in this entry."]
    if wrong.kind is Kind.ENTER and right.to_step is None:
        return ["The first entry of a piece cannot be deleted. Cancel the piece instead."]
    state: State | None = None
    for entry in effective([*log, right]):
        if state is None:
            why = first_refusal(of, entry.to_step)
        else:
            # What was entered once had its reasons; a new move in its place stops at gates, and
            # not before what dries.
            new = entry.id == right.about_id and entry.move != wrong.move
            judged = state if new else replace(state, gates=(), aside_reason="")
            why = _refusal_in_its_day(judged, entry, policy)
        if why is not None and entry.id == right.about_id:
            return [why]
        if why is not None:
            return [f"{describe(entry)} would not fit any more. Correct that first. ({why})"]
        state = after(of, state, entry)
    return []


def passed_gates(of: Of, log: Sequence[Entry]) -> list[int]:
    """Questions that are open still and went unheeded: the piece moved on where they stop it."""
    state: State | None = None
    passed: set[int] = set()
    for entry in effective(log):
        if state is not None and entry.kind is Kind.MOVE and entry.move != MoveKey.BEGUN:
            moves = (m for m in moves_from(of, state.step) if m.key == entry.move)
            if any(passes(move) for move in moves) and not state.in_batch:
                passed |= {g.question for g in state.gates if g.stops_at(state.step)}
        state = after(of, state, entry)
    return [gate.question for gate in state.gates if gate.question in passed] if state else []


def _refusal_in_its_day(state: State, entry: Entry, policy: Policy) -> str | None:
    """The refusal by the rules of any day: the blank step may have been on, the animal alive."""
    if entry.kind is Kind.ANSWER:
        # Gates are not judged, and so not kept: what ends one finds it, and only its time counts.
        state = replace(state, gates=(Gate(gate_number(entry), entry.to_step),))
    if entry.move == MoveKey.BEGUN:
        # A copy begins with its model, whether it is on hold or not.
        state = replace(state, hold_whose="")
    whys = [refusal(state, entry, day) for day in _any_day(policy)]
    return None if None in whys else whys[0]


def _any_day(policy: Policy) -> Iterable[Policy]:
    return (policy, Policy(True, False), Policy(False, False))


def describe(entry: Entry) -> str:
    """An entry in a few words, for lists of what to correct first."""
    if entry.kind in (Kind.MOVE, Kind.ENTER) and entry.to_step is not None:
        return f"The move to {STEPS[entry.to_step].name}"
    words = {
        Kind.START: "Taking it up",
        Kind.ASIDE: "Setting it aside",
        Kind.HOLD: "The hold",
        Kind.LIFT: "Resuming it",
        Kind.TOLD: "The note that photos were announced",
    }
    return words.get(entry.kind, "A later entry")
