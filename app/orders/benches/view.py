"""The Benches page put together: bands of rows in the order of work, and the lines at the top.

Pure: lines come from benches_store, the moment and the person as arguments.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from operator import attrgetter
from zoneinfo import ZoneInfo

from app.flow.gates import read
from app.flow.offers import Offer
from app.flow.rules import Kind
from app.flow.steps import BENCHES, PLACE, STEPS, Of, Step, StepFacts, moves_from
from app.orders.benches.lines import Asked, Band, Fold, OpenPiece, Row
from app.orders.benches.words import (
    LACKING,
    Clock,
    day_of,
    kind_words,
    main_offer,
    notes,
    pace_words,
    placed,
    stopped,
    waits_for_customer,
    where,
)
from app.shared.calendar import DAY
from app.shared.people import Person, Role
from app.shared.web import words
from app.studio.workshop import Pace

REDRAW_EVERY = 600  # seconds after which "tomorrow" and ages are said anew, whatever happened
FOLD_FROM = 4
MOST_LATE_NAMED = 6
# A model is nowhere but on paper while photos are wanted, and a parcel is out of the house.
_OUT_OF_THE_HOUSE = frozenset({Step.PHOTOS_WANTED, Step.HANDED_OVER})


# The same by the text of the database: making an enum's member of it costs more than a look-up.
_FACTS: Mapping[str, StepFacts] = {str(step): facts for step, facts in STEPS.items()}
_OF: Mapping[str, Of] = {str(of): of for of in Of}


class Show(StrEnum):
    """Which pieces to show."""

    ALL = "all"
    MINE = "mine"
    NEEDED = "needed"
    WAITING = "waiting"
    REMAKES = "remakes"
    GIFTS = "gifts"


SHOW_WORDS: Mapping[Show, str] = {
    Show.ALL: "All",
    Show.MINE: "Mine",
    Show.NEEDED: "Needed by a date",
    Show.WAITING: "Waiting for the customer",
    Show.REMAKES: "Remakes and rework",
    Show.GIFTS: "Gifts",
}
NOTHING_SHOWN: Mapping[Show, str] = {
    Show.ALL: "No pieces are on the benches. New orders appear here as soon as they are entered.",
    Show.MINE: "You have nothing in hand and nothing set aside.",
    Show.NEEDED: "No piece here has a date it is needed by.",
    Show.WAITING: "No piece is waiting for its customer.",
    Show.REMAKES: "There are no remakes and no rework.",
    Show.GIFTS: "Nothing here is a gift.",
}


@dataclass(frozen=True, slots=True)
class Looking:
    """Who looks at the benches, when, at which pieces, and what is known of pace and chances.

    `pace` gives usual and slow days of a step, and whether they are the studio's own; `chances`
    the chance, by order id, of being ready by the day it is needed.
    """

    me: Person
    now: int
    zone: ZoneInfo
    pace: Pace
    chances: Mapping[int, float]
    blank_on: bool = True
    show: Show = Show.ALL
    by: date | None = None
    aside: str = ""
    bench: Step | None = None


@dataclass(frozen=True, slots=True)
class LatePiece:
    """A piece that has been at its bench longer than slow."""

    name: str
    anchor: str


@dataclass(frozen=True, slots=True)
class Benches:
    """The whole page. `empty` names the benches that have nothing at all, `names` those that have
    something to show, with how many pieces, whichever of them is looked at alone."""

    bands: Sequence[Band]
    names: Sequence[tuple[Step, str, int]]
    empty: Sequence[str]
    nothing: str
    in_house: int
    in_hand_words: str
    waiting_orders: int
    late: Sequence[LatePiece]
    late_more: int
    any_piece: bool


def assemble(lines: Sequence[OpenPiece], asked: Sequence[Asked], look: Looking) -> Benches:
    """The page from the open pieces and the open questions."""
    clock = Clock(look.now, look.zone, day_of(look.zone, look.now))
    known = {question.id: question for question in asked}
    behind = orders_not_packed(lines)
    by_step: dict[str, list[Row]] = {}
    for line in lines:
        if _shown(line, look):
            row = row_of(line, known, behind, look, clock)
            by_step.setdefault(line.step, []).append(row)
    taken = {line.step for line in lines}
    late, more = _late(lines, look)
    shown = [step for step in BENCHES if step in by_step]
    bands = [_band(s, by_step[s], look) for s in shown if look.bench in (None, s)]
    return Benches(
        bands=bands,
        names=[(step, STEPS[step].name, len(by_step[step])) for step in shown],
        empty=_empty(taken, look) if look.show is Show.ALL else [],
        nothing="" if bands else _nothing(look),
        in_house=sum(line.step not in _OUT_OF_THE_HOUSE for line in lines),
        in_hand_words=_number(sum(line.hand_id is not None and line.in_hand for line in lines)),
        waiting_orders=len({line.order_id for line in lines if waits_for_customer(line)}),
        late=late,
        late_more=more,
        any_piece=bool(lines),
    )


def _nothing(look: Looking) -> str:
    if look.bench is None:
        return NOTHING_SHOWN[look.show]
    return f"Nothing is in {STEPS[look.bench].name} that this page is asked to show."


def _number(count: int) -> str:
    if not count:
        return "none"
    return words.NUMBERS[count] if count < len(words.NUMBERS) else str(count)


def _empty(taken: set[str], look: Looking) -> list[str]:
    return [
        STEPS[step].name
        for step in BENCHES
        if step not in taken and (look.blank_on or step is not Step.BLANK)
    ]


def _shown(line: OpenPiece, look: Looking) -> bool:
    match look.show:
        case Show.ALL:
            return True
        case Show.MINE:
            return line.hand_id is not None and line.hand_id == look.me.account_id
        case Show.NEEDED:
            by = look.by.isoformat() if look.by is not None else "9999"
            return line.needed_by is not None and line.needed_by <= by
        case Show.WAITING:
            return waits_for_customer(line)
        case Show.REMAKES:
            return line.making > 1 or line.reworks > 0
        case Show.GIFTS:
            return bool(line.gift)


def orders_not_packed(lines: Iterable[OpenPiece]) -> set[int]:
    """Orders of which a piece has not reached packing: what is packed of them waits for it."""
    packing = PLACE[Step.PACKING]
    before = frozenset(str(step) for step, place in PLACE.items() if place < packing)
    return {line.order_id for line in lines if line.step in before}


def row_of(
    line: OpenPiece, known: Mapping[int, Asked], behind: set[int], look: Looking, clock: Clock
) -> Row:
    """A piece as every list of work shows it. `known` are the open questions by their number,
    `behind` the orders of which something has not come to packing."""
    chance = look.chances.get(line.order_id)
    rank, reason = placed(line, look.zone, chance, clock.today.year)
    question = None
    if line.gates:
        # The first that stops it here, or else the first that will.
        at = _FACTS[line.step].step
        gates = sorted(read(line.gates), key=lambda g: (g.part is not None, not g.stops_at(at)))
        question = known.get(gates[0].question)
    late, soon, rest = notes(line, question, chance, clock)
    place = where(line, line.hand or "", look.me.account_id, clock)
    if line.stopped and not line.hold_whose:
        until_paid = question.until_paid if question else None
        place = LACKING if line.lacking else stopped(until_paid, asked=line.asked)
    if not place and line.step == Step.PACKING and not line.ship_part and line.order_id in behind:
        place = "waiting for the rest of its order"
    offer = _main(line, look)
    facts, code, of, id_ = _FACTS[line.step], line.code, line.of, line.id
    held = bool(line.hold_whose)
    return Row(
        line=line,
        rank=(held, rank, line.order_number, line.id),
        ref=f"{of}:{id_}",
        tick=f"{of}:{id_}:{line.version}",
        key=f"{of}-{id_}",
        path=f"{of}/{id_}",
        code=code,
        called=f"{line.animal} {code}",
        kind=kind_words(line.kind, line.breed),
        tenths=max(0, look.now // REDRAW_EVERY * REDRAW_EVERY - line.entered_at) * 10 // DAY,
        where=place or reason,
        late=late,
        soon=soon,
        notes=rest,
        act=offer.key if offer is not None and not set(offer.needs) - {"coat"} else "",
        label=offer.label if offer is not None else "",
        main=offer is not None and offer.kind is Kind.MOVE,
        may_set_aside=bool(facts.take) and not held,
        free=not place and (bool(facts.take) or line.step == Step.PHOTOS_IN),
        opened=look.aside == f"{of}:{id_}",
        waits=bool(place),
    )


def _main(line: OpenPiece, look: Looking) -> Offer | None:
    """The main button: a plain move is posted at once, what needs words leads to its page."""
    aside = line.aside_until is not None or bool(line.aside_reason)
    return main_offer(
        _OF[line.of], _FACTS[line.step].step, bool(line.in_hand), aside, bool(line.hold_whose),
        line.stopped, look.me.role, look.blank_on,
    )  # fmt: skip


def _band(step: Step, rows: list[Row], look: Looking) -> Band:
    rows.sort(key=attrgetter("rank"))
    usual, slow, own = look.pace[step]
    first = next((place for place, row in enumerate(rows) if row.free), None)
    if first is not None:
        rows[first] = rows[first]._replace(where=f"next: {rows[first].where}")
    return Band(
        step=step,
        name=STEPS[step].name,
        take=bool(STEPS[step].take),
        count=len(rows),
        usual=usual,
        slow=slow,
        pace_words=pace_words(usual, slow),
        own=own,
        items=_folded(rows),
        acts=band_acts(step, look.me.role),
        folded=look.me.role is Role.BENCH and step in _OUT_OF_THE_HOUSE and look.bench is None,
    )


def band_acts(step: Step, role: Role) -> tuple[tuple[str, str], ...]:
    """What can be done to several ticked pieces of a bench at once: (key, label).

    Taking in hand, and the one plain move onward. What needs words is done piece by piece, and
    so is the judgement of a model.
    """
    facts = STEPS[step]
    acts = [("start", facts.take)] if facts.take else []
    onward = [move for move in moves_from(facts.of, step) if move.forward]
    # The last coat is asked once for all that are ticked.
    plain = onward and not set(onward[0].needs) - {"coat"} and role in onward[0].roles
    if plain and step is not Step.ASSESSING:
        acts.append((onward[0].key, onward[0].label))
    return tuple(acts)


def _folded(rows: Sequence[Row]) -> tuple[tuple[Fold | None, tuple[Row, ...]], ...]:
    """Runs of rows in their order; the rows of one order fold at the first of them if many."""
    by_order: dict[int, list[Row]] = {}
    for row in rows:
        by_order.setdefault(row.line.order_number, []).append(row)
    items: list[tuple[Fold | None, tuple[Row, ...]]] = []
    run: list[Row] = []
    for row in rows:
        together = by_order[row.line.order_number]
        if len(together) < FOLD_FROM:
            run.append(row)
        elif row is together[0]:
            if run:
                items.append((None, tuple(run)))
                run = []
            items.append((_fold(together), tuple(together)))
    if run:
        items.append((None, tuple(run)))
    return tuple(items)


def _fold(rows: Sequence[Row]) -> Fold:
    number = rows[0].line.order_number
    names = list(dict.fromkeys(row.line.animal for row in rows))
    whose = words.listed(names[:3]) + (" and others" if len(names) > 3 else "")
    said = [f"{words.capital(words.count(len(rows), 'piece'))} of order {number}: {whose}"]
    in_hand = sum(row.line.hand_id is not None and row.line.in_hand for row in rows)
    if in_hand:
        said.append(f"{_number(in_hand)} in hand")
    oldest = max(row.tenths for row in rows) // 10
    if oldest:
        said.append(f"the longest here {words.count(oldest, 'day')}")
    if any(row.where.startswith("next: ") for row in rows):
        said.append("the next one is among them")
    tick = ",".join(row.tick for row in rows)
    return Fold(number, "; ".join(said), tick)


def _late(lines: Iterable[OpenPiece], look: Looking) -> tuple[list[LatePiece], int]:
    """Who has been here longer than slow, the worst first, and how many more there are.

    What waits for a customer or a carrier is not in our hands and not counted here.
    """
    slows = {str(step): look.pace[step][1] for step in BENCHES}
    found: list[tuple[float, OpenPiece]] = []
    for line in lines:
        slow = slows[line.step]
        over = (look.now - line.entered_at) / DAY - slow
        if over > 0 and not waits_for_customer(line) and line.step != Step.HANDED_OVER:
            found.append((over / max(slow, 0.1), line))
    found.sort(key=lambda pair: -pair[0])
    named = [LatePiece(line.animal, f"{line.of}-{line.id}") for _, line in found[:MOST_LATE_NAMED]]
    return named, max(0, len(found) - MOST_LATE_NAMED)
