"""My bench put together: in hand, set aside, next in the order of work, and what somebody else has
or something stops. Pure.

A row is the row of the Benches page, so that a piece says the same on both and offers the same.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from app.flow.rules import Kind
from app.flow.steps import BENCHES, STEPS, MoveKey, Step, moves_from
from app.orders.benches.lines import Asked, OpenPiece, Row
from app.orders.benches.view import Looking, orders_not_packed, row_of
from app.orders.benches.words import Clock, day_of
from app.shared.errors import Refused
from app.shared.web import words

# A step is somebody's own where hands do it: a machine and a carrier have none.
CHOICES: tuple[Step, ...] = tuple(s for s in BENCHES if STEPS[s].take or s is Step.BLANK)
DONE = "done"
MOST_NEXT = 12


@dataclass(frozen=True, slots=True)
class Mine:
    """The lists of one person: `more` counts what comes after `next` and is not shown."""

    in_hand: Sequence[Row]
    aside: Sequence[Row]
    next: Sequence[Row]
    more: int
    others: Sequence[Row]
    several: bool

    @property
    def rows(self) -> list[Row]:
        """All that is shown."""
        return [*self.in_hand, *self.aside, *self.next, *self.others]


def rows_of(
    lines: Sequence[OpenPiece], asked: Sequence[Asked], look: Looking, wanted: Iterable[OpenPiece]
) -> list[Row]:
    """The rows of some of the open pieces, in the order of work."""
    clock = Clock(look.now, look.zone, day_of(look.zone, look.now))
    known = {question.id: question for question in asked}
    behind = orders_not_packed(lines)
    return sorted(
        (row_of(line, known, behind, look, clock) for line in wanted), key=lambda row: row.rank
    )


def assemble(
    lines: Sequence[OpenPiece],
    asked: Sequence[Asked],
    look: Looking,
    steps: frozenset[Step],
    *,
    whole: bool,
) -> Mine:
    """The lists from all open pieces: one's own wherever they are, the others of one's `steps`."""
    me = look.me.account_id
    own = {str(step) for step in steps}
    wanted = [line for line in lines if line.step in own or _mine(line, me)]
    rows = rows_of(lines, asked, look, wanted)
    in_hand = [row for row in rows if row.line.in_hand and row.line.hand_id == me]
    aside = [r for r in rows if _aside(r.line) and r.line.hand_id == me and not r.line.hold_whose]
    free = [row for row in rows if not row.waits]
    shown = {row.ref for row in (*in_hand, *aside, *free)}
    return Mine(
        in_hand=in_hand,
        aside=sorted(aside, key=lambda row: row.line.aside_until or 0),
        next=free if whole else free[:MOST_NEXT],
        more=0 if whole else max(0, len(free) - MOST_NEXT),
        others=[row for row in rows if row.ref not in shown],
        several=len({row.line.step for row in rows}) > 1,
    )


def _mine(line: OpenPiece, me: int | None) -> bool:
    return line.hand_id == me and bool(line.in_hand or _aside(line))


def _aside(line: OpenPiece) -> bool:
    return not line.in_hand and (line.aside_until is not None or bool(line.aside_reason))


def move_of(row: Row) -> MoveKey | None:
    """The move that Done makes of a piece where one tap is enough, whatever it needs first."""
    facts = STEPS[Step(row.line.step)]
    onward = [move for move in moves_from(facts.of, facts.step) if move.forward]
    return onward[0].key if onward and row.act == onward[0].key else None


def refused(rows: Sequence[Row], what: str, me: int | None) -> list[str]:
    """Why several pieces cannot be started, set aside or done together, each by its name.

    A row that does not offer an act is named: what it refuses alone, the bar refuses too.
    """
    reasons = [(row.called, _refusal(row, what, me)) for row in rows]
    said = [f"{called}: {why}." for called, why in reasons if why]
    if not said and what == DONE and len({move_of(row) for row in rows}) > 1:
        at = [f"{row.called} is in {STEPS[Step(row.line.step)].name}" for row in rows]
        said = [f"{words.listed(at)}. Tick the pieces of one step at a time."]
    return said


def _refusal(row: Row, what: str, me: int | None) -> str:
    in_hand = bool(row.line.in_hand) and row.line.hand_id == me
    if what == Kind.START:
        if in_hand:
            return "in your hands already"
        if row.act == Kind.START and (not row.waits or row.line.hand_id == me):
            return ""
        return row.where if row.waits else "nothing to start here"
    if not in_hand:
        return row.where if row.waits else "not in your hands, start it first"
    done_here = what == Kind.ASIDE or move_of(row) is not None
    return "" if done_here else f"{row.label} needs a few words, on its own page"


def judge(rows: Sequence[Row], what: str, me: int | None) -> MoveKey | Kind:
    """What an act on several pieces is. Raises Refused with every piece that cannot have it."""
    if not rows:
        raise Refused("Nothing is ticked.")
    if why := refused(rows, what, me):
        raise Refused(f"Nothing was done. {' '.join(why)}")
    if what != DONE:
        return Kind(what)
    move = move_of(rows[0])
    assert move is not None
    return move
