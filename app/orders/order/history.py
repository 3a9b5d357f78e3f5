"""What happened, in words: a log's entries as lines with both their times. Pure."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from app.flow.legality import CORRECTABLE, UNDO_WITHIN, undoable
from app.flow.rules import BATCH, PART, UNASKED, Entry, Kind, TimeIs, effective
from app.flow.steps import CAUSES, OUTCOMES, STEPS, MoveKey, Of, piece_code
from app.flow.store import Piece, Ref
from app.orders.benches.words import WAITING_ON
from app.shared.people import first_name
from app.studio.curing import NOTHING


@dataclass(frozen=True, slots=True)
class HistoryLine:
    """One line of the history.

    `wrong` is what a correction replaced, shown struck through; `recorded_at` is set where it
    differs from the time at which the thing happened by more than an hour.
    """

    id: int
    ref: Ref
    who: str
    what: str
    by: str
    happened_at: int
    recorded_at: int | None
    wrong: str
    undone: bool
    may_undo: bool
    may_correct: bool
    time_is: TimeIs


def lines(
    log: Sequence[tuple[Ref, Entry]],
    name_of: Callable[[Ref], str],
    people: Mapping[int, str],
    now: int,
) -> list[HistoryLine]:
    """The history of some pieces, newest first: corrected lines show both, undone ones say so."""
    by_piece: dict[Ref, list[Entry]] = {}
    for ref, entry in log:
        by_piece.setdefault(ref, []).append(entry)
    right = {e.id: e for entries in by_piece.values() for e in effective(entries)}
    last = {line[-1].id for entries in by_piece.values() if (line := effective(entries))}
    undone = {e.about_id: e for _, e in log if e.kind is Kind.UNDO}
    corrected = {e.about_id: e for _, e in log if e.kind is Kind.CORRECTION}
    found = [
        _line(
            ref,
            e,
            right.get(e.id),
            undone.get(e.id),
            corrected.get(e.id),
            name_of,
            people,
            now,
            last,
        )
        for ref, e in log
        if e.kind not in (Kind.UNDO, Kind.CORRECTION)
    ]
    return sorted(found, key=lambda line: (line.happened_at, line.id), reverse=True)


def _line(
    ref: Ref,
    entry: Entry,
    right: Entry | None,
    undo: Entry | None,
    correction: Entry | None,
    name_of: Callable[[Ref], str],
    people: Mapping[int, str],
    now: int,
    last: set[int],
) -> HistoryLine:
    shown = right or entry
    # What never happened, or was said wrongly, stays readable beside what is right.
    replaced = correction is not None and (right is None or say(right) != say(entry))
    wrong = say(entry) if replaced else ""
    author = correction or entry
    late = shown.happened_at + 3600 < author.recorded_at
    return HistoryLine(
        id=entry.id,
        ref=ref,
        who=name_of(ref),
        what=_what(shown, right, undo, correction, people),
        by=first_name(people.get(entry.by, "")) if entry.by is not None else "",
        happened_at=shown.happened_at,
        recorded_at=author.recorded_at if late or correction else None,
        wrong=wrong,
        undone=undo is not None,
        may_undo=(entry.id in last and undoable(entry) and now - entry.recorded_at <= UNDO_WITHIN),
        may_correct=right is not None and entry.kind in CORRECTABLE,
        time_is=shown.time_is,
    )


def _what(
    shown: Entry,
    right: Entry | None,
    undo: Entry | None,
    correction: Entry | None,
    people: Mapping[int, str],
) -> str:
    if undo is not None:
        return f"{say(shown)}; undone"
    if correction is None:
        return say(shown)
    by = first_name(people.get(correction.by or 0, "")) or "automatic"
    why = f": {correction.reason}" if correction.reason else ""
    if right is None:
        return f"deleted by {by}{why}"
    return f"{say(right)}, corrected by {by}{why}"


def say(entry: Entry) -> str:
    """What an entry says, in a few words."""
    match entry.kind:
        case Kind.ENTER:
            where = STEPS[entry.to_step].name if entry.to_step else ""
            return f"entered at {where}"
        case Kind.MOVE:
            return _say_move(entry)
        case Kind.START if entry.move == BATCH:
            return f"in batch {entry.amount}"
        case Kind.START:
            return f"taken up all the same: {entry.reason}" if entry.reason else "taken up"
        case Kind.ASIDE:
            return f"set aside: {entry.reason}" if entry.reason else "set aside"
        case Kind.HOLD:
            return f"on hold, waiting on {WAITING_ON[entry.whose]}: {entry.reason}"
        case Kind.LIFT:
            return "resumed"
        case Kind.ASK if entry.move == PART:
            return f"{STEPS[entry.to_step].name if entry.to_step else 'work'} waits for a part"
        case Kind.ANSWER if entry.move == PART:
            why = f": {entry.reason}" if entry.reason else ""
            return f"goes on without a part{why}" if why else "waits for that part no more"
        case Kind.ASK:
            waits = f"{STEPS[entry.to_step].name} waits" if entry.to_step else "waiting"
            # An answer, or a payment: the log does not say which.
            return f"{waits} for the customer{'’s approval' if entry.move == UNASKED else ''}"
        case Kind.ANSWER:
            return f"goes on without an answer: {entry.reason}" if entry.reason else "goes on"
        case Kind.TOLD:
            return "photos announced by the customer"
        case Kind.FINDING if entry.move == BATCH:
            return f"not good out of batch {entry.amount}, waits for the next: {entry.reason}"
        case Kind.FINDING:
            cause = f" (caused by {CAUSES[entry.cause]})" if entry.cause else ""
            return f"fault found, repaired at this bench: {entry.reason}{cause}"
        case _:
            return ""


_LAID_ON = frozenset({MoveKey.BLANK_DONE, MoveKey.SHAPED, MoveKey.PAINTED})


def _say_move(entry: Entry) -> str:
    words = OUTCOMES[MoveKey(entry.move)]
    if entry.move == MoveKey.PHOTOS_COUNTED and entry.amount:
        words = f"{entry.amount} photos are here"
    if entry.move in _LAID_ON and entry.reason:
        coat = entry.reason if entry.reason == NOTHING else f"last coat: {entry.reason}"
        return f"{words}; {coat}"
    return f"{words}: {entry.reason}" if entry.reason else words


def code(
    number: int, of: Of, letter: str, copy_number: int = 0, making: int = 1, *, mends: bool = False
) -> str:
    """A piece's code: 1147-A for a model, 1147-A2 for a copy, and a word beside it where it is made
    again (1147-A2, making 2) or `mends` what came back (1147-A2, repair)."""
    if of is Of.MODEL:
        return piece_code(number, letter)
    again = ", repair" if mends else f", making {making}" if making > 1 else ""
    return piece_code(number, letter, copy_number) + again


def code_of(number: int, piece: Piece) -> str:
    """The code of a piece of an order."""
    return code(number, piece.ref.of, piece.letter, piece.number, piece.making, mends=piece.mends)
