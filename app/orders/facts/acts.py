"""What a customer hears of by a letter that only a person sends: a cancellation, a hold, a copy
made again, a parcel's number put right. Pure.

News of these kinds is of one act: its round is the act's number, and what it tells of is whatever
that act still holds, has cancelled or makes again. A number is put right in no act of the log: its
round is the moment, which is that of all numbers that were put right together.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from app.flow.steps import ENDS, Step
from app.orders.facts.order import AnimalFacts, CopyFacts, OrderFacts, ParcelFacts, Standing
from app.shared.calendar import DAY

BY_A_PERSON = ("cancelled", "on_hold", "made_again", "number_corrected")
# Those of an act of the log, which its undo takes back.
OF_AN_ACT = frozenset({"cancelled", "on_hold", "made_again"})
# What was cancelled longer ago is not offered any more: by now its customer knows.
OFFERED_DAYS = 30


@dataclass(frozen=True, slots=True)
class Touched:
    """What of an animal an act concerns: its model (or not), and some of its copies."""

    animal: AnimalFacts
    model: bool
    copies: tuple[CopyFacts, ...]


def touched(kind: str, act: int, facts: OrderFacts) -> tuple[Touched, ...]:
    """What an act still concerns, animal by animal; nothing where it was undone or overtaken."""
    if kind == "number_corrected":
        return tuple(_in_corrected(act, facts))
    found = (
        Touched(
            animal,
            _act_of(kind, animal.model) == act,
            tuple(c for c in animal.copies if _act_of(kind, c.standing, c) == act),
        )
        for animal in facts.animals
    )
    some = tuple(one for one in found if one.model or one.copies)
    if kind != "cancelled":
        return some
    # Who was to stand on a base that is cancelled, too, is named with it.
    told = {letter for one in some for copy in one.copies for letter in copy.letters_beside}
    return tuple(one for one in some if one.copies or one.animal.letter not in told)


def corrected(act: int, facts: OrderFacts) -> tuple[ParcelFacts, ...]:
    """The parcels on their way whose numbers were put right last at a moment."""
    return tuple(
        parcel
        for parcel in facts.parcels
        if parcel.corrected_at == act and parcel.received_at is None
    )


def _in_corrected(act: int, facts: OrderFacts) -> Iterator[Touched]:
    ids = {parcel.id for parcel in corrected(act, facts)}
    for animal in facts.animals:
        inside = tuple(copy for copy in animal.copies if copy.parcel_id in ids)
        if inside:
            yield Touched(animal, False, inside)


def whom(found: Sequence[Touched], facts: OrderFacts) -> tuple[AnimalFacts, ...]:
    """The animals that an act concerns, with those on one base with them."""
    letters = {one.animal.letter for one in found}
    letters |= {letter for one in found for copy in one.copies for letter in copy.letters_beside}
    return tuple(animal for animal in facts.animals if animal.letter in letters)


def _act_of(kind: str, standing: Standing, copy: CopyFacts | None = None) -> int | None:
    match kind:
        case "cancelled" if standing.step is Step.CANCELLED:
            return standing.act
        case "on_hold" if standing.held and standing.step not in ENDS:
            return standing.act
        # What is made again for a case is told with it.
        case "made_again" if copy is not None and not copy.gone and not copy.case:
            return copy.remade_by if copy.step is not Step.CANCELLED else None
    return None


def acts_of(kind: str, facts: OrderFacts, now: int) -> list[int]:
    """The acts of a kind of which the customer may be told now, the newest first."""
    if kind == "number_corrected":
        moments = {p.corrected_at for p in facts.parcels if p.corrected_at is not None}
        return sorted((at for at in moments if touched(kind, at, facts)), reverse=True)
    found = {
        _act_of(kind, standing, copy)
        for standing, copy in _standings(facts)
        if kind != "cancelled" or now - standing.since < OFFERED_DAYS * DAY
    }
    return sorted((act for act in found if act is not None), reverse=True)


def cancelled_since(facts: OrderFacts, moment: int) -> bool:
    """Whether something was cancelled at a moment (UTC seconds) or after it."""
    found = (standing for standing, _ in _standings(facts))
    return any(one.step is Step.CANCELLED and one.since >= moment for one in found)


def _standings(facts: OrderFacts) -> Iterator[tuple[Standing, CopyFacts | None]]:
    for animal in facts.animals:
        yield animal.model, None
        for copy in animal.copies:
            yield copy.standing, copy


def all_of_it(found: Sequence[Touched], facts: OrderFacts) -> bool:
    """Whether an act concerns everything of an order that has neither ended nor left."""
    models = {one.animal.letter for one in found if one.model}
    copies = {copy.code for one in found for copy in one.copies}
    return all(
        (animal.letter in models or animal.model.step in ENDS)
        and all(copy.code in copies or copy.gone for copy in animal.made)
        for animal in facts.alive
    )
