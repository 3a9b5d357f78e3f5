"""What a tap on the Benches page means, checked against the house and then recorded.

A button posts `key:copy:12:7` (what, which piece, the version its page showed) or
`key:ticked:shaping`; a key that begins with `sure.` has been asked back once already.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from app.flow import store
from app.flow.actions import Done, Wish, record_in
from app.flow.rules import Kind, State
from app.flow.steps import STEPS, MoveKey, Step, moves_from
from app.flow.store import Piece, Ref
from app.orders.benches import store as benches_store
from app.orders.benches.store import DoneEntry, Named
from app.shared.errors import AlreadyMoved, NotAllowed, NotFound, Refused
from app.shared.people import Person, first_name
from app.shared.text import whole_number
from app.shared.web import words
from app.studio.workshop import Workshop

SURE = "sure."
TICKED = "ticked"
MOST_AT_ONCE = 100
_KINDS = {"start": Kind.START, "aside": Kind.ASIDE, "lift": Kind.LIFT}
_BROKEN = "That button was not understood. Load the page again."


class AskFirst(Refused):
    """The act would be taken over somebody's head: asked back once. `button` says yes to it."""

    def __init__(self, sentence: str, button: str, label: str) -> None:
        super().__init__(sentence)
        self.button, self.label = button, label


class AskElsewhere(Refused):
    """The act needs an answer that another page asks for; nothing was done."""

    def __init__(self, sentence: str, address: str) -> None:
        super().__init__(sentence)
        self.address = address


# What a higher room does beside a move, in the move's own transaction, by the move's key.
Beside = Mapping[str, Callable[[Connection, Done, int], None]]


@dataclass(frozen=True, slots=True)
class Seen:
    """A piece as somebody's page showed it."""

    ref: Ref
    version: int

    @classmethod
    def read(cls, text: str) -> "Seen":
        """From `copy:12:7`. Raises NotFound for anything else."""
        ref, _, typed = text.rpartition(":")
        version = whole_number(typed)
        if version is None:
            raise NotFound(_BROKEN)
        return cls(Ref.read(ref), version)


@dataclass(frozen=True, slots=True)
class Press:
    """A button that was pressed: what to do with which pieces. `step` is set for ticked ones."""

    key: str
    seen: Sequence[Seen]
    sure: bool
    step: Step | None = None

    @classmethod
    def read(cls, value: str, ticks: Sequence[str]) -> "Press":
        """From a button's value and the ticks of its form. Refused where it makes no sense."""
        key, _, rest = value.partition(":")
        sure, key = key.startswith(SURE), key.removeprefix(SURE)
        what, _, band = rest.partition(":")
        if what != TICKED:
            return cls(key, (Seen.read(rest),), sure)
        if band not in tuple(Step):
            raise NotFound(_BROKEN)
        seen = dict.fromkeys(part for tick in ticks for part in tick.split(",") if part)
        if len(seen) > MOST_AT_ONCE:
            raise Refused(f"At most {MOST_AT_ONCE} pieces at once, please.")
        return cls(key, tuple(Seen.read(part) for part in seen), sure, Step(band))


@dataclass(frozen=True, slots=True)
class Aside:
    """Until when (UTC seconds) and why a piece is set aside."""

    until: int
    reason: str


def carry_out(
    workshop: Workshop,
    press: Press,
    who: Person,
    once: str,
    aside: Aside | None = None,
    beside: Beside | None = None,
) -> Done:
    """Do what was pressed, to all of its pieces or to none.

    Raises Refused, AlreadyMoved, NotAllowed or NotFound, AskFirst where it wants a yes, and
    AskElsewhere where another page has to ask.
    """
    with workshop.database.reading() as db:
        pieces = [(seen, store.load(db, seen.ref)) for seen in press.seen]
        if press.step is not None:
            pieces = [pair for pair in pieces if _of_band(pair, press.step)]
            if not pieces:
                raise Refused(f"Nothing is ticked in {STEPS[press.step].name}.")
        names = {piece.ref: benches_store.named(db, piece.ref) for _, piece in pieces}
    today = workshop.in_force().calendar.day_of(workshop.now()).isoformat()
    for seen, piece in pieces:
        _check(press, seen, piece, names[piece.ref], who, today)
    wishes = [_wish(press.key, seen, aside) for seen, _ in pieces]
    with workshop.database.writing() as db:
        done = record_in(db, wishes, who, workshop.now(), once or None)
        if beside is not None and press.key in beside:
            beside[press.key](db, done, workshop.now())
    workshop.changed.set()
    return done


def _of_band(pair: tuple[Seen, Piece], step: Step) -> bool:
    """Whether a tick is of this band: ticks of other bands stay out, stale ones are said."""
    seen, piece = pair
    return piece.state.step is step or (
        seen.version != piece.version and STEPS[step].of is piece.ref.of
    )


def _wish(key: str, seen: Seen, aside: Aside | None) -> Wish:
    kind = _KINDS.get(key, Kind.MOVE)
    return Wish(
        seen.ref,
        kind,
        key if kind is Kind.MOVE else "",
        seen.version,
        until=aside.until if aside is not None and kind is Kind.ASIDE else None,
        reason=aside.reason if aside is not None and kind is Kind.ASIDE else "",
    )


def _check(press: Press, seen: Seen, piece: Piece, name: Named, who: Person, today: str) -> None:
    """What the rules leave to the page: a stale row, somebody's hand, words that are needed."""
    state, own = piece.state, f"{press.key}:{piece.ref}:{piece.version}"
    again = press.step is not None
    yes = f"{SURE}{press.key}:{TICKED}:{press.step}" if again else f"{SURE}{own}"
    taking_over = press.key == "start" and _in_other_hands(state, who)
    if seen.version != piece.version:
        if taking_over and not again:
            raise AskFirst(_whose_hand(state, name), yes, "Take it over")
        raise AlreadyMoved(_now_where(state, name, press.step))
    if taking_over and not press.sure:
        raise AskFirst(_whose_hand(state, name), yes, "Take it over")
    if press.key in _KINDS:
        return
    move = next((m for m in moves_from(piece.ref.of, state.step) if m.key == press.key), None)
    if move is not None and who.role not in move.roles:
        raise NotAllowed("Your role does not cover this. Ask the desk or the owner.")
    if move is not None and move.needs:
        raise Refused(f"{move.label} needs a few words: open the page of {name.words}.")
    if (
        press.key == MoveKey.MODEL_FINISHED
        and (name.copy_deadline or "") >= today
        and not press.sure
    ):
        raise AskFirst(
            f"More copies may still join the order of {name.words} until "
            f"{words.day(date.fromisoformat(name.copy_deadline or today))}. "
            "Once its model is finished they cannot.",
            yes, "Finish it all the same",
        )  # fmt: skip


def _in_other_hands(state: State, who: Person) -> bool:
    aside = state.aside_until is not None or bool(state.aside_reason)
    return (state.in_hand or aside) and state.hand_id not in (None, who.account_id)


def _whose_hand(state: State, name: Named) -> str:
    whose = first_name(name.hand or "Somebody")
    return (
        f"{whose} has {name.words} in hand." if state.in_hand
        else f"{whose} set {name.words} aside."
    )  # fmt: skip


def _now_where(state: State, name: Named, expected: Step | None) -> str:
    whose = first_name(name.hand or "somebody")
    place = STEPS[state.step].name
    if expected is not None and state.step is expected:
        return f"{name.words} has changed since this page was drawn. Look again, then press."
    if state.in_hand:
        return f"{name.words} has already moved on: it is in {place}, and {whose} has it."
    return f"{name.words} has already moved to {place}."


# ---------------------------------------------------------------- what was done, in words


@dataclass(frozen=True, slots=True)
class DoneWords:
    """An act that can still be undone, said in a sentence."""

    act: int
    sentence: str


def say_done(act: int, entries: Sequence[DoneEntry], now: int, within: int) -> DoneWords | None:
    """What an act did, while it can be undone: for `within` seconds, and nothing has followed."""
    if not entries or any(not entry.last for entry in entries):
        return None
    if now - entries[0].recorded_at > within or entries[0].kind not in _SAID:
        return None
    first = [e for e in entries if (e.kind, e.move) == (entries[0].kind, entries[0].move)]
    many = len(first) > 1
    subject = words.capital(words.count(len(first), "piece")) if many else first[0].name.words
    return DoneWords(act, _SAID[entries[0].kind](subject, many, first[0].to_step) + _begun(entries))


def _moved(subject: str, many: bool, to_step: str | None) -> str:
    place = STEPS[Step(to_step)].name if to_step else ""
    return f"{subject} {'are' if many else 'is'} in {place} now."


_SAID: Mapping[str, Callable[[str, bool, str | None], str]] = {
    "move": _moved,
    "start": lambda subject, many, _: f"{subject} {'are' if many else 'is'} in hand.",
    "aside": lambda subject, many, _: f"{subject} {'are' if many else 'is'} set aside.",
    "lift": lambda subject, many, _: f"The hold on {subject} is lifted.",
}


def _begun(entries: Sequence[DoneEntry]) -> str:
    begun = [entry for entry in entries if entry.move == MoveKey.BEGUN]
    if not begun or begun[0].to_step is None:
        return ""
    place = STEPS[Step(begun[0].to_step)].name
    return f" {words.capital(words.count(len(begun), 'copy', 'copies'))} can begin in {place}."
