"""An order that is on the waiting list, in words: for its page and its letters alike. Pure."""

from collections.abc import Iterable
from datetime import timedelta

from app.orders.facts.order import OrderFacts, WaitFacts
from app.orders.facts.ranges import weeks
from app.shared.carriers import last_arrival
from app.shared.web import words
from app.status.document import Block
from app.status.range_words import too_late
from app.status.voice import Days

OFF = "This order is no longer on our waiting list, and we won’t be making it."
NO_PHOTOS_YET = "You don’t need to send any photos yet. We’ll ask for them when we begin."


def begins(waits: WaitFacts, days: Days) -> Block:
    """In which week it is to begin; that it takes longer, once that week is over."""
    week = f"the week of {words.weekday(waits.begins_on)} {days.day(waits.begins_on)}"
    if waits.begins_on + timedelta(days=7) <= days.today:
        longer = (
            f"We said we’d begin about {week}. It’s taking longer than that, and we’ll write to "
            "you with a new date."
        )
        return Block("text", (longer,))
    return Block("range", ("We expect to begin about ", week, "."))


def on_the_list(facts: OrderFacts, waits: WaitFacts, days: Days) -> Iterable[Block]:
    """That it waits, why, and in which week it is to begin."""
    yield Block(
        "text",
        (
            "Your order is on our waiting list. We take on only as much in a week as we can make "
            "well, and everyone has their turn in the order in which they came to us.",
        ),
    )
    yield begins(waits, days)
    yield Block("text", (NO_PHOTOS_YET,))
    span = weeks(facts.weeks.low, facts.weeks.high)
    how_long = f"From the day we can work from your photos it then takes {span}."
    yield Block("quiet", (" ".join(filter(None, (how_long, _needed(facts, waits, days)))),))


def _needed(facts: OrderFacts, waits: WaitFacts, days: Days) -> str:
    """Whether the day asked for can still be met, if photos were there as soon as it begins."""
    if facts.needed_by is None:
        return ""
    named = days.day(facts.needed_by)
    if facts.needed_by < days.today:
        return too_late(named)
    first = max(waits.begins_on, days.today)
    there = last_arrival(first + timedelta(days=facts.weeks.high), facts.journey)
    if there > facts.needed_by:
        return (
            f"You asked for {named}, and that may be too soon. Please write to us if that day "
            "can’t move."
        )
    return f"You asked for {named}. We’ve noted it with your order."
