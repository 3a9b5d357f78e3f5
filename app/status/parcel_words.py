"""What is said when pieces leave and when they have arrived. Pure.

That carriers want damage reported early and all packing kept is what postal services ask for
claims; seven days is common practice, no source. Paint that is dry is not yet hard for weeks
(makers' sheets for acrylics).
"""

from collections.abc import Iterable
from datetime import timedelta

from app.flow.steps import Step
from app.orders.facts.order import OrderFacts, ParcelFacts
from app.shared.web import words
from app.status import piece_words
from app.status.document import Block, Section
from app.status.voice import Days

DAMAGE_WITHIN_DAYS = 7


def parcels(facts: OrderFacts, days: Days) -> Iterable[Section]:
    """What has left, how, under which number, and what still follows."""
    if not facts.parcels:
        return
    heading = "The parcel" if len(facts.parcels) == 1 else "The parcels"
    blocks: list[Block] = []
    for parcel in facts.parcels:
        blocks.append(Block("text", (_sent(parcel, days),)))
        inside = piece_words.inside(facts, parcel.id)
        if inside:
            blocks.append(Block("points", tuple(inside)))
    still = [copy for copy in facts.copies if copy.step not in (Step.HANDED_OVER, Step.RECEIVED)]
    if still:
        names = words.listed(
            [a.name for a in facts.alive if any(copy in still for copy in a.copies)]
        )
        count = words.count(len(still), "more piece")
        blocks.append(Block("text", (f"Still to follow: {count} of {names}.",)))
    yield Section(heading, tuple(blocks))


def _sent(parcel: ParcelFacts, days: Days) -> str:
    when = days.at(parcel.sent_at)
    if parcel.way == "collected":
        return f"Collected from us on {when}. In it:"
    if parcel.way == "brought":
        return f"Brought by us on {when}. In it:"
    number = f", number {parcel.number}" if parcel.number else ""
    return f"Handed to {parcel.carrier} on {when}{number}. In it:"


def care(facts: OrderFacts, days: Days) -> Iterable[Section]:
    """Looking after the pieces, and what to do about damage and by when."""
    one = len(facts.copies) == 1
    it, its, each = ("it", "its", "it") if one else ("them", "their", "each")
    points = (
        f"Lift {each} by the base or the body, never by an ear, a leg or the tail.",
        f"Dust {it} with a soft dry brush. No water, no cleaner, no polish.",
        f"Keep {it} out of full sun and away from heaters.",
        "The paint goes on hardening for some weeks. Until then nothing should press on "
        f"{its} surface, and wrapping should stay loose.",
    )
    yield Section(f"Looking after {it}", (Block("points", points),))
    last = max(copy.standing.since for copy in facts.copies)
    by = days.calendar.day_of(last) + timedelta(days=DAMAGE_WITHIN_DAYS)
    over = by < days.today
    until = "as soon as you can" if over else f"by {days.day(by)}"
    steps = (
        "Keep everything: the piece, every part that came off, both the inner and the outer "
        "packing, and the label.",
        "Photograph the piece, the packing and the label, as they are.",
        f"Write to us {until}, with the pictures and the number of your order. Carriers ask for "
        "such reports early.",
        "Please send nothing back before we have answered, and glue nothing.",
    )
    yield Section("If something is damaged", (Block("steps", steps),), folded=over)
