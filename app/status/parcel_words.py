"""What is said when pieces leave and when they have arrived. Pure.

That carriers want damage reported early and all packing kept is what postal services ask for
claims. Until when stands in the list of carriers; where it does not, seven days are common
practice, no source. Paint that is dry is not yet hard for weeks (makers' sheets for acrylics).
"""

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from app.flow.steps import Step
from app.orders.facts.order import AnimalFacts, OrderFacts, ParcelFacts
from app.shared.web import words
from app.status import lent_words, piece_words
from app.status.document import Block, Section
from app.status.voice import Days, likenesses

DAMAGE_WITHIN_DAYS = 7
# What we need of the carrier's own time to make a claim.
TO_CLAIM_DAYS = 3
OPENING = (
    "Please open the box carefully: cut only the tape, and lift everything out by its packing "
    "before you unwrap it. Keep the packing until you’ve looked at everything. If something is "
    "damaged, take photos of it with its packing and label before you do anything else, and write "
    "to us."
)


def parcels(facts: OrderFacts, days: Days) -> Iterable[Section]:
    """What has left, how, under which number, and what still follows."""
    if not facts.parcels:
        return
    heading = "The parcel" if len(facts.parcels) == 1 else "The parcels"
    blocks: list[Block] = []
    for parcel in facts.parcels:
        blocks += sent(parcel, facts, days)
    lost = {case.parcel_id for case in facts.cases if case.kind == "lost"}
    if any(p.way == "carrier" and not p.received_at and p.id not in lost for p in facts.parcels):
        blocks.append(Block("quiet", (OPENING,)))
    still = [copy for copy in facts.copies if not copy.gone]
    if still:
        names = likenesses([a for a in facts.alive if any(copy in still for copy in a.shown_in)])
        count = words.count(len(still), "more copy", "more copies")
        blocks.append(Block("text", (f"Still to follow: {count} of {names}.",)))
    yield Section(heading, tuple(blocks))


def finished(animals: Sequence[AnimalFacts], *, travel: bool) -> str:
    """That some animals are finished and, where they `travel`, on the way."""
    are = "is" if len(animals) == 1 else "are"
    way = " and on the way to you" if travel else ""
    return f"{words.capital(likenesses(animals))} {are} finished{way}."


def sent(parcel: ParcelFacts, facts: OrderFacts, days: Days) -> list[Block]:
    """What left, how and when, in whole sentences, and a line for each copy in it, and for what of
    the customer's went back."""
    when = days.on(parcel.sent_at)
    number = f", and its number is {parcel.number}" if parcel.number else ""
    how = {
        "collected": f"The parcel was collected from us {when}",
        "brought": f"We brought the parcel round {when}",
    }.get(parcel.way, f"We handed the parcel to {parcel.carrier} {when}{number}")
    inside = [*piece_words.inside(facts, parcel.id), *lent_words.inside(facts, parcel.id)]
    under_way = list(_under_way(parcel, days))
    if not inside:
        return [Block("text", (f"{how}.",)), *under_way]
    return [Block("text", (f"{how}. Inside:",)), Block("points", tuple(inside)), *under_way]


def _under_way(parcel: ParcelFacts, days: Days) -> Iterable[Block]:
    if said := usually(parcel, days):
        yield Block("text", (said,))
    if parcel.link and parcel.received_at is None:
        yield Block("link", (f"Follow it with {parcel.carrier}", parcel.link))


def usually(parcel: ParcelFacts, days: Days) -> str:
    """When a parcel on its way usually arrives, and what to do where it does not; empty where that
    is not known, or it is there."""
    if parcel.usual is None or parcel.received_at is not None:
        return ""
    first, last = parcel.usual
    by = f"{words.weekday(last)} {days.day(last)}"
    if last < days.today:
        return (
            f"It usually arrives by {by}, and it’s later than that now. If it isn’t there yet, "
            "please write to us, and we’ll ask the carrier where it is."
        )
    when = f"by {by}" if first == last else f"between {_span(first, last, days)}"
    return f"It usually arrives {when}. If it isn’t there by then, please write to us."


def _span(first: date, last: date, days: Days) -> str:
    """ "Tuesday 1 and Friday 4 December"."""
    end = f"{words.weekday(last)} {days.day(last)}"
    if (first.year, first.month) == (last.year, last.month):
        return f"{words.weekday(first)} {first.day} and {end}"
    return f"{words.weekday(first)} {days.day(first)} and {end}"


def assumed(parcel: ParcelFacts, facts: OrderFacts) -> bool:
    """Whether nobody has said that a parcel arrived, and it should have by now."""
    inside = [copy for copy in facts.copies if copy.parcel_id == parcel.id]
    return bool(inside) and all(copy.received_assumed for copy in inside)


def travellers(parcel: ParcelFacts, facts: OrderFacts) -> list[AnimalFacts]:
    """The animals of which a copy is in a parcel."""
    return [a for a in facts.alive if any(copy.parcel_id == parcel.id for copy in a.shown_in)]


def care(facts: OrderFacts, days: Days) -> Iterable[Section]:
    """Looking after the pieces, and what to do about damage and by when."""
    points = (
        "Lift by the base or the body, never by an ear, a leg or the tail.",
        "Dust with a soft dry brush. No water, no cleaner, no polish.",
        "Keep out of full sun and away from heaters.",
        "The paint goes on hardening for some weeks. Until then nothing should press on it, and "
        "any wrapping should be loose.",
    )
    yield Section(f"Looking after {looked_after(facts)}", (Block("points", points),))
    steps, by = damage_steps(facts, days), _report_by(facts, days)
    over = by is not None and by < days.today
    yield Section("If something is damaged", (Block("steps", steps),), folded=over)


def damage_steps(facts: OrderFacts, days: Days) -> tuple[str, ...]:
    """What to do about damage, and by when, of what has left."""
    by = _report_by(facts, days)
    soon = "as soon as you can"
    until = f"{soon}, by {days.day(by)} at the latest" if by and by >= days.today else soon
    return (
        "Keep everything: whatever came off, the inner and the outer packing, and the label.",
        "Take photos of the damage, the packing and the label, as they are.",
        f"Write to us {until}, with the photos and your order number. Carriers ask for such "
        "reports early.",
        "Please don’t send anything back before we’ve answered, and don’t glue anything.",
    )


def _report_by(facts: OrderFacts, days: Days) -> date | None:
    """Until when damage has to be reported for a claim; None where nothing has arrived."""
    arrived = [copy for copy in facts.copies if copy.step is Step.RECEIVED]
    if not arrived:
        return None
    last = max(arrived, key=lambda copy: copy.standing.since)
    claim_by = next((p.claim_by for p in facts.parcels if p.id == last.parcel_id), None)
    if claim_by is not None:
        return claim_by - timedelta(days=TO_CLAIM_DAYS)
    return days.calendar.day_of(last.standing.since) + timedelta(days=DAMAGE_WITHIN_DAYS)


def looked_after(facts: OrderFacts) -> str:
    """What the advice on care is about."""
    if len(facts.copies) > 1:
        return "them"
    return likenesses([animal for animal in facts.alive if animal.shown_in])
