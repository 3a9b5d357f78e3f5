"""What is said when pieces leave and when they have arrived. Pure.

That carriers want damage reported early and all packing kept is what postal services ask for
claims; seven days is common practice, no source. Paint that is dry is not yet hard for weeks
(makers' sheets for acrylics).
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


def parcels(facts: OrderFacts, days: Days) -> Iterable[Section]:
    """What has left, how, under which number, and what still follows."""
    if not facts.parcels:
        return
    heading = "The parcel" if len(facts.parcels) == 1 else "The parcels"
    blocks: list[Block] = []
    for parcel in facts.parcels:
        blocks += sent(parcel, facts, days)
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
    if not inside:
        return [Block("text", (f"{how}.",))]
    return [Block("text", (f"{how}. Inside:",)), Block("points", tuple(inside))]


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
    until = f"by {days.day(by)}" if by is not None and by >= days.today else "as soon as you can"
    return (
        "Keep everything: whatever came off, the inner and the outer packing, and the label.",
        "Take photos of the damage, the packing and the label, as they are.",
        f"Write to us {until}, with the photos and your order number. Carriers ask for such "
        "reports early.",
        "Please don’t send anything back before we’ve answered, and don’t glue anything.",
    )


def _report_by(facts: OrderFacts, days: Days) -> date | None:
    """Until when damage is best reported; None where nothing has arrived."""
    arrived = [copy.standing.since for copy in facts.copies if copy.step is Step.RECEIVED]
    if not arrived:
        return None
    return days.calendar.day_of(max(arrived)) + timedelta(days=DAMAGE_WITHIN_DAYS)


def looked_after(facts: OrderFacts) -> str:
    """What the advice on care is about."""
    if len(facts.copies) > 1:
        return "them"
    return likenesses([animal for animal in facts.alive if animal.shown_in])
