"""The one way to move a piece, whoever asks: judged once, written whole, or refused in words."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection

from app.flow import parts, questions, store
from app.flow.actions import Act, Done, Wish, begin_act, grant, settle
from app.flow.gates import passes, refusal_at
from app.flow.rules import BATCH, DRIES, Kind, Policy, State, find_move, to_take_up
from app.flow.steps import OF_NO_STEP, REWORKS, STEPS, MoveKey, moves_from
from app.flow.store import Piece, Ref
from app.moving.effects import EFFECTS, AskFirst, MoveDetails, Moving
from app.moving.names import Named, named
from app.shared.errors import AlreadyMoved, BadFields, NotAllowed, NotFound, Refused
from app.shared.people import Person
from app.shared.web import words
from app.studio.workshop import Workshop

BROKEN = "That button was not understood. Load the page again."
_SAID_NOTHING = MoveDetails()


@dataclass(frozen=True, slots=True)
class Seen:
    """A piece as somebody's page showed it; `version` is None where it showed none."""

    ref: Ref
    version: int | None = None

    @classmethod
    def read(cls, text: str) -> "Seen":
        """From `copy:12:7`. Raises NotFound for anything else."""
        ref, _, version = text.rpartition(":")
        if not version.isascii() or not version.isdecimal() or len(version) > 9:
            raise NotFound(BROKEN)
        return cls(Ref.read(ref), int(version))


def perform(
    workshop: Workshop,
    seen: Sequence[Seen],
    what: MoveKey | Kind,
    said: MoveDetails,
    who: Person,
    once: str = "",
) -> Done:
    """Move pieces as one act in one transaction, with all that it does beside.

    Raises BadFields for words that are missing, AskFirst where it wants a yes, AlreadyMoved,
    NotAllowed, NotFound and Refused; nothing is written then.
    """
    with workshop.database.writing() as db:
        done = perform_in(db, workshop, seen, what, said, who, once)
    workshop.changed.set()
    return done


def perform_in(
    db: Connection,
    workshop: Workshop,
    seen: Sequence[Seen],
    what: MoveKey | Kind,
    said: MoveDetails,
    who: Person,
    once: str = "",
    act: Act | None = None,
) -> Done:
    """Do what `perform` does inside an open writing transaction, for acts that write more.

    `act` is the one that it goes on with where several things are done in one.
    """
    act = act or begin_act(db, who, workshop.now(), once or None)
    versions = {one.ref: one.version for one in seen}
    pieces = [store.load(db, ref, act.once) for ref in versions]
    moving = Moving(act, workshop.in_force, what, pieces, said)
    for piece in pieces:
        if piece.tapped or versions[piece.ref] not in (None, piece.version):
            _too_late(moving, piece)
    _check_role(moving)
    _check_gates(moving)
    effect = EFFECTS[what]
    if effect.hears is not None:
        effect.hears(moving)
    moving.said = said = _in_its_place(moving)
    if not said.sure:
        _ask_first(moving)
    if effect.before is not None:
        effect.before(moving)
    for piece in pieces:
        grant(act, piece, _wish(moving, piece))
    if effect.after is not None:
        effect.after(moving)
    return settle(act)


def _wish(moving: Moving, piece: Piece) -> Wish:
    said, what = moving.said, moving.what
    moves = isinstance(what, MoveKey)
    # Going back to a step names that step as the cause, unless it was nobody's.
    own = what in REWORKS and said.cause not in OF_NO_STEP
    cause = what.removeprefix("back_to_") if own else said.cause
    return Wish(
        piece.ref,
        Kind.MOVE if moves else Kind(what),
        what if moves else "" if said.batch is None else BATCH,
        happened_at=said.happened_at,
        reason=said.reason,
        cause=cause,
        whose=said.whose,
        until=moving.untils.get(piece.ref, said.until),
        look_on=said.look_on,
        amount=moving.amounts.get(piece.ref, said.batch),
        question_id=said.question_id,
        before=said.before,
    )


def _check_role(moving: Moving) -> None:
    """Who may not do a thing is told so before anything is asked of them. Raises NotAllowed."""
    if not isinstance(moving.what, MoveKey):
        return
    for piece in moving.pieces:
        policy = Policy(moving.act.blank_on, piece.remembered)
        move = find_move(piece.ref.of, piece.state.step, moving.what, policy)
        if move is not None and moving.act.who.role not in move.roles:
            raise NotAllowed("Your role doesn’t cover this. Ask the office or the owner.")


def _check_gates(moving: Moving) -> None:
    """What dries, or stands at a gate, is told so before any more, with who was asked what.

    Raises Refused.
    """
    act, key = moving.act, moving.what
    for piece in moving.pieces:
        policy = Policy(act.blank_on, piece.remembered)
        move = find_move(piece.ref.of, piece.state.step, key, policy)
        on = passes(move) if move is not None else key is Kind.START
        where = f"{_name(act, piece).words}: " if len(moving.pieces) > 1 else ""
        if move is not None and move.forward and piece.state.drying_at(act.now):
            raise Refused(f"{where}{DRIES}")
        if not (on and piece.state.stopped) or piece.state.in_batch:
            continue
        calendar = moving.in_force().calendar
        told = questions.told(act.db, piece.state.gates, calendar, act.now)
        told = parts.told(act.db, told, calendar, act.now)
        why = refusal_at(told, piece.state.step)
        raise Refused(f"{where}{why}")


def _in_its_place(moving: Moving) -> MoveDetails:
    """A typed time has no seconds: within the minute of what came before it is just after that.

    Raises BadFields, at `happened_at`, for a time before what happened last.
    """
    happened = moving.said.happened_at
    if happened is None:
        return moving.said
    last = max(piece.state.last_at for piece in moving.pieces)
    if happened >= last:
        return moving.said
    if last - happened < 60:
        return replace(moving.said, happened_at=last)
    if len(moving.pieces) == 1:
        why = "That is before the last thing that happened to this piece. Type a later time."
        raise BadFields({"happened_at": why})
    late = [_name(moving.act, p).words for p in moving.pieces if p.state.last_at > happened]
    raise BadFields(
        {"happened_at": f"Something happened to {words.listed(late)} after that. Leave it out, or "
         "type a later time."}
    )  # fmt: skip


# ---------------------------------------------------------------- asked first, and too late


def _ask_first(moving: Moving) -> None:
    """Ask back what goes over somebody's head, or ahead of what a row shows. Raises AskFirst."""
    if moving.what is Kind.START:
        for piece in moving.pieces:
            if _in_other_hands(piece.state, moving.act.who):
                raise AskFirst(_whose_hand(moving, piece), "Take it over", piece)
    elif moving.said.from_row and isinstance(moving.what, MoveKey):
        waiting = [piece for piece in moving.pieces if to_take_up(piece.state)]
        if waiting:
            label = "Move it on" if len(moving.pieces) == 1 else "Move them on"
            raise AskFirst(_not_in_hand(moving, waiting), f"{label} anyway", waiting[0])


def _in_other_hands(state: State, who: Person) -> bool:
    aside = state.aside_until is not None or bool(state.aside_reason)
    return (state.in_hand or aside) and state.hand_id not in (None, who.account_id)


def _whose_hand(moving: Moving, piece: Piece) -> str:
    name = _name(moving.act, piece)
    if piece.state.in_hand:
        return f"{name.whose} has {name.words} in hand."
    return f"{name.whose} set {name.words} aside."


def _not_in_hand(moving: Moving, waiting: Sequence[Piece]) -> str:
    untouched = [p for p in waiting if p.state.hand_id is None]
    said = [_whose_hand(moving, p) for p in waiting if p.state.hand_id is not None]
    if untouched:
        names = words.listed([_name(moving.act, piece).words for piece in untouched])
        said.insert(0, f"Nobody has taken {names} in hand.")
    return " ".join(said)


def _too_late(moving: Moving, piece: Piece) -> None:
    """The page was stale or the tap double: say where the piece is. Raises AlreadyMoved."""
    state, name = piece.state, _name(moving.act, piece)
    taking = moving.what is Kind.START and len(moving.pieces) == 1
    if taking and not piece.tapped and _in_other_hands(state, moving.act.who):
        raise AskFirst(_whose_hand(moving, piece), "Take it over", piece)
    place = STEPS[state.step].name
    if _still_there(moving, state):
        raise AlreadyMoved(
            f"{name.words} has changed since you opened this page. Look again, then press."
        )
    if state.in_hand:
        raise AlreadyMoved(
            f"{name.words} has already moved on: it is in {place}, and {name.whose} has it."
        )
    raise AlreadyMoved(f"{name.words} has already moved to {place}.")


def _still_there(moving: Moving, state: State) -> bool:
    """Whether a piece is at a step from which the same could be asked again."""
    return any(move.key is moving.what for move in moves_from(state.of, state.step))


def _name(act: Act, piece: Piece) -> Named:
    return named(act.db, piece.ref)
