"""What a tap on the Benches page means, read for the one act that moves pieces.

A button posts `key:copy:12:7` (what, which piece, the version its page showed) or
`key:ticked:shaping`; a key that begins with `sure.` has been asked back once already.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from sqlalchemy import Connection

from app.flow import store
from app.flow.actions import Done
from app.flow.legality import UNDO_WITHIN
from app.flow.rules import BATCH, Kind
from app.flow.steps import STEPS, MoveKey, Step, moves_from
from app.flow.store import Piece
from app.moving.effects import MoveDetails
from app.moving.names import named
from app.moving.perform import BROKEN, Seen, perform
from app.orders.benches.store import DoneEntry, act_done
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.web import words
from app.studio.workshop import Workshop

SURE = "sure."
TICKED = "ticked"
MOST_AT_ONCE = 100
_KINDS = (Kind.START, Kind.ASIDE, Kind.LIFT)


class AskElsewhere(Refused):
    """The act needs an answer that another page asks for; nothing was done."""

    def __init__(self, sentence: str, address: str) -> None:
        super().__init__(sentence)
        self.address = address


@dataclass(frozen=True, slots=True)
class Said:
    """What has to be said above the pieces of a page, and at the fields of an open form."""

    sentence: str = ""
    button: str = ""
    label: str = ""
    errors: dict[str, str] | None = None
    typed: dict[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Press:
    """A button that was pressed: what to do with which pieces. `step` is set for ticked ones."""

    what: MoveKey | Kind
    seen: Sequence[Seen]
    sure: bool
    step: Step | None = None

    @classmethod
    def read(cls, value: str, ticks: Sequence[str]) -> "Press":
        """From a button's value and the ticks of its form. Refused where it makes no sense."""
        key, _, rest = value.partition(":")
        sure, key = key.startswith(SURE), key.removeprefix(SURE)
        if key not in _KINDS and key not in tuple(MoveKey):
            raise NotFound(BROKEN)
        what = Kind(key) if key in _KINDS else MoveKey(key)
        which, _, band = rest.partition(":")
        if which != TICKED:
            return cls(what, (Seen.read(rest),), sure)
        if band not in tuple(Step):
            raise NotFound(BROKEN)
        seen = dict.fromkeys(part for tick in ticks for part in tick.split(",") if part)
        if len(seen) > MOST_AT_ONCE:
            raise Refused(f"At most {MOST_AT_ONCE} pieces at once, please.")
        return cls(what, tuple(Seen.read(part) for part in seen), sure, Step(band))

    def yes(self, about: Piece | None) -> str:
        """The button that says yes to what was asked first."""
        if self.step is not None or about is None:
            return f"{SURE}{self.what}:{TICKED}:{self.step}"
        return f"{SURE}{self.what}:{about.ref}:{about.version}"


@dataclass(frozen=True, slots=True)
class Aside:
    """Until when (UTC seconds) and why a piece is set aside."""

    until: int
    reason: str


def carry_out(
    workshop: Workshop, press: Press, who: Person, once: str, aside: Aside | None = None
) -> Done:
    """Do what was pressed, to all of its pieces or to none.

    Raises what `perform` raises, and AskElsewhere where another page has to ask.
    """
    seen = press.seen if press.step is None else _of_band(workshop, press.seen, press.step)
    said = MoveDetails(sure=press.sure, from_row=True)
    if aside is not None:
        said = MoveDetails(until=aside.until, reason=aside.reason)
    try:
        return perform(workshop, seen, press.what, said, who, once)
    except BadFields as why:
        raise _asked_elsewhere(workshop, press.what, seen, why) from None


def _of_band(workshop: Workshop, seen: Sequence[Seen], step: Step) -> list[Seen]:
    """The ticks of this band: those of other bands stay out, stale ones stay in and are said."""
    with workshop.database.reading() as db:
        pieces = [(one, store.load(db, one.ref)) for one in seen]
    own = [
        one
        for one, piece in pieces
        if piece.state.step is step
        or (one.version != piece.version and STEPS[step].of is piece.ref.of)
    ]
    if not own:
        raise Refused(f"Nothing is ticked in {STEPS[step].name}.")
    return own


def _asked_elsewhere(
    workshop: Workshop, what: MoveKey | Kind, seen: Sequence[Seen], why: BadFields
) -> Refused:
    """A row has no place to say more: which page has."""
    if what is MoveKey.BUILD_STARTED:
        sets = [("model", one.ref.id) for one in seen]
        return AskElsewhere(str(why), f"/builds?{urlencode(sets)}#queue")
    if "coat" in why.fields:
        pieces = [("piece", f"{one.ref}:{one.version}") for one in seen]
        return AskElsewhere(str(why), f"/last-coat?{urlencode(pieces)}")
    with workshop.database.reading() as db:
        piece = store.load(db, seen[0].ref)
        name = named(db, piece.ref)
    if what is Kind.START and "reason" in why.fields:
        return AskElsewhere(why.fields["reason"], f"/pieces/{piece.ref.of}/{piece.ref.id}#start")
    found = [move for move in moves_from(piece.ref.of, piece.state.step) if move.key is what]
    label = found[0].label if found else "That"
    return Refused(f"{label} needs a few words. Open the page of {name.words}.")


# ---------------------------------------------------------------- what was done, in words


@dataclass(frozen=True, slots=True)
class DoneWords:
    """An act that can still be undone, said in a sentence."""

    act: int
    sentence: str


def just_done(db: Connection, act: int | None, now: int) -> DoneWords | None:
    """What was just done, while it can be undone; None where nothing was."""
    return _say_done(act, act_done(db, act), now) if act is not None else None


def _say_done(act: int, entries: Sequence[DoneEntry], now: int) -> DoneWords | None:
    """What an act did, while it can be undone: not for long, and nothing has followed."""
    if not entries or any(not entry.last for entry in entries):
        return None
    repaired = entries[0].kind == Kind.FINDING and entries[0].move != BATCH
    if now - entries[0].recorded_at > UNDO_WITHIN or entries[0].kind not in _SAID or repaired:
        return None
    first = [e for e in entries if (e.kind, e.move) == (entries[0].kind, entries[0].move)]
    many = len(first) > 1
    subject = words.capital(words.count(len(first), "piece")) if many else first[0].name.words
    said = _SAID[entries[0].kind](subject, many, first[0].to_step)
    if entries[0].kind == Kind.START and entries[0].move == BATCH:
        said = f"{subject} {'are' if many else 'is'} in the machine."
    return DoneWords(act, said + _begun(entries) + _not_good(entries))


def _moved(subject: str, many: bool, to_step: str | None) -> str:
    place = STEPS[Step(to_step)].name if to_step else ""
    return f"{subject} {'are' if many else 'is'} in {place} now."


_SAID: Mapping[str, Callable[[str, bool, str | None], str]] = {
    "move": _moved,
    "finding": lambda subject, many, _: (
        f"{subject} {'wait' if many else 'waits'} for the next batch."
    ),
    "start": lambda subject, many, _: f"{subject} {'are' if many else 'is'} in hand.",
    "aside": lambda subject, many, _: f"{subject} {'are' if many else 'is'} set aside.",
    "lift": lambda subject, many, _: f"{subject} {'are' if many else 'is'} no longer on hold.",
}


def _not_good(entries: Sequence[DoneEntry]) -> str:
    """Of a batch in which some were good: how many wait for the next one."""
    left = sum(entry.kind == Kind.FINDING and entry.move == BATCH for entry in entries)
    if not left or entries[0].kind == Kind.FINDING:
        return ""
    return f" {words.capital(words.count(left, 'piece waits', 'pieces wait'))} for the next batch."


def _begun(entries: Sequence[DoneEntry]) -> str:
    begun = [entry for entry in entries if entry.move == MoveKey.BEGUN]
    if not begun or begun[0].to_step is None:
        return ""
    place = STEPS[Step(begun[0].to_step)].name
    return f" {words.capital(words.count(len(begun), 'copy', 'copies'))} can begin in {place}."
