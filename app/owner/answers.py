"""The six questions of the owner and their answers, in sentences. Pure."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from app.flow.steps import MAKING_STEPS, PHOTO_STEPS, Step, TimeClass
from app.leadtimes.forecast.levels import POINTS
from app.leadtimes.log import FINISHED, OPEN
from app.leadtimes.statistics import nearest_rank
from app.orders.facts.ranges import HIGH, LOW, Span, days_of, weeks
from app.owner.figures import ENOUGH, Where, WilsonShare, Working
from app.owner.intervals import STEP_CODE
from app.owner.track import MilestoneRecord
from app.owner.ways import CopyWays
from app.shared.calendar import DAY, Calendar
from app.shared.carriers import Journey, last_leaving
from app.shared.web import words

LATELY_DAYS = 90
_MOST_NAMED = 8
CLASS_WORDS: Mapping[TimeClass, str] = {
    TimeClass.WAITING: "waiting for somebody",
    TimeClass.HANDS: "in hand",
    TimeClass.QUEUE: "waiting for a machine",
    TimeClass.MACHINE: "machine running",
    TimeClass.REST: "drying and curing",
    TimeClass.REST_OF_ORDER: "waiting for the rest of the order",
    TimeClass.CLOSED: "workshop closed",
    TimeClass.HOLD: "on hold",
    TimeClass.CARRIER: "with a carrier",
    TimeClass.CUSTOMER: "the customer’s",
}


@dataclass(frozen=True)
class Answer:
    """A question and what can be said to it; `orders` are numbers to look at."""

    question: str
    text: str
    orders: tuple[int, ...] = ()
    more: int = 0


def tenths(value: int) -> str:
    """Tenths of a day as days: 314 is "31.4"."""
    return f"{value // 10}.{value % 10}"


def how_long(found: CopyWays, now: int) -> Answer:
    """What the pieces of the last 90 days had taken."""
    question = "How long does it take now?"
    done = found.take((found.outcome == FINISHED) & (found.ended >= now - LATELY_DAYS * DAY))
    lately = f"in the last {LATELY_DAYS} days"
    if not len(done):
        return Answer(question, f"No piece was handed over {lately}.")
    days = done.lead / DAY
    if len(done) < ENOUGH:
        took = _span(float(days.min()), float(days.max()))
        text = f"{words.capital(words.count(len(done), 'piece'))} left {lately}, after {took}"
        return Answer(question, f"{text}: too few for more than that.{_brought_in(done)}")
    half, slow = nearest_rank(days, [0.5, 0.85]).round().astype(int).tolist()
    return Answer(
        question,
        f"Of the {len(done)} pieces handed over {lately}, half had taken {half} days or less "
        f"from the order, and 85 in 100 had taken {slow} or less.{_brought_in(done)}",
    )


def _brought_in(done: CopyWays) -> str:
    """How many of some pieces are not of this house's own log."""
    many = int(done.imported.sum())
    if not many:
        return ""
    return f" {words.capital(words.count(many, 'piece'))} of these came with an imported sheet."


def _span(low: float, high: float) -> str:
    a, b = round(low), round(high)
    return words.count(a, "day") if a == b else f"{a} to {b} days"


def where(split: Where | None, working: Working | None) -> Answer:
    """The mean lead time, its largest parts, and the hours that hands put into a piece."""
    question = "Where does the time go?"
    if split is None:
        return Answer(question, "No piece has been through every step yet.")
    if split.pieces < ENOUGH:
        done = words.count(split.pieces, "piece has", "pieces have")
        return Answer(
            question, f"Only {done} been through every step: too few to divide their days."
        )
    own = split.total - split.customer
    parts = sorted(
        ((split.of(kind), kind) for kind in split.classes if kind is not TimeClass.HANDS),
        reverse=True,
        key=lambda part: part[0],
    )[:3]
    named = words.listed([f"{tenths(size)} {CLASS_WORDS[kind]}" for size, kind in parts if size])
    return Answer(
        question,
        f"A piece takes {tenths(split.total)} days on average; {tenths(split.customer)} of them "
        f"are the customer’s. Of our own {tenths(own)}, {named}.{_hours(working)}",
    )


def _hours(working: Working | None) -> str:
    """The hours for each piece that left, and what is not in them."""
    if working is None or working.hours_a_piece is None:
        return ""
    said = f" It is worked on for {working.hours_a_piece:.0f} hours"
    if not working.assumed_in_100:
        return f"{said}."
    return f"{said}, without the {working.assumed_in_100} in 100 that nobody closed."


def promise(points: Sequence[float] | None, today: date, calendar: Calendar) -> Answer:
    """The range for an order whose photos pass today."""
    question = "What may I promise today?"
    if points is None:
        return Answer(question, "The forecast is being worked out. Look again in a minute.")
    levels = POINTS.tolist()
    span = Span(points[levels.index(LOW)], points[levels.index(HIGH)], "")
    first, last = days_of(span, today, calendar)
    return Answer(
        question,
        f"{words.capital(weeks(span.low, span.high))} from the day the photos pass. If they pass "
        f"today, that is between {words.day(first, today)} and {words.day(last, today)}. "
        "Before they pass, give weeks rather than days.",
    )


def how_often(record: MilestoneRecord) -> Answer:
    """The record of the ranges told when photos passed."""
    question = "How often did we keep our dates?"
    return Answer(question, share_words(record.by_the_last, "ready by the last day we gave"))


def share_words(share: WilsonShare, did: str) -> str:
    """A share with its interval, or, with fewer than twenty cases, counts in words only."""
    if not share.n:
        return "No range we gave has reached its last day yet."
    if not share.enough:
        were = "none was" if not share.hits else words.count(share.hits, "was", "were")
        orders = words.count(share.n, "order")
        passed = f"The last day we gave has passed for {orders}; {were} {did}."
        return f"{passed} That is too few for a share."
    middle, low, high = share.in_100()
    return (
        f"{middle} in 100 were {did}, {share.hits} of {share.n}; "
        f"allowing for chance, {low} to {high} in 100."
    )


def late(
    found: CopyWays,
    open_orders: Sequence[Any],
    told: Mapping[int, date | None],
    journey: Callable[[str], Journey | None],
    today: date,
) -> Answer:
    """Open orders whose told last day has passed, or the last day of leaving that would be in time
    for the day they are needed: `journey` gives the days on the way to a country."""
    question = "What is late?"
    here = set(found.order[found.outcome == OPEN].tolist())
    passed, longer, needed = [], [], []
    for row in open_orders:
        if row.id not in here:
            continue
        last = told.get(row.id, today)
        if last is None:
            longer.append(row.number)
        elif last < today:
            passed.append(row.number)
        elif row.needed_by is not None:
            needed_by = date.fromisoformat(row.needed_by)
            if last_leaving(needed_by, journey(row.ship_country)) < today:
                needed.append(row.number)
    parts = [
        f"{words.count(len(numbers), f'order {one}', f'orders {many}')}"
        for numbers, one, many in (
            (passed, "is past the last day we gave", "are past the last day we gave"),
            (longer, "was told that it takes longer", "were told that it takes longer"),
            (
                needed,
                "usually arrives after the day it is needed, even if it left today",
                "usually arrive after the day they are needed, even if they left today",
            ),
        )
        if numbers
    ]
    if not parts:
        return Answer(
            question, "Nothing: no order is past a day we gave, or too late for a day it is needed."
        )
    numbers = [*passed, *longer, *needed]
    return Answer(
        question,
        f"{words.capital(words.listed(parts))}:",
        tuple(numbers[:_MOST_NAMED]),
        max(0, len(numbers) - _MOST_NAMED),
    )


def on_the_way(found: CopyWays) -> Answer:
    """How many pieces are in work, and where."""
    question = "How much is in work?"
    here = found.take(found.outcome == OPEN)
    if not len(here):
        return Answer(question, "None: no piece is in work.")
    groups = (
        ("wait for photos", (Step.PHOTOS_WANTED,)),
        ("are on screen", (*PHOTO_STEPS[1:], Step.FINISHING, Step.READY, Step.NOT_BEGUN)),
        ("are being made", MAKING_STEPS[:-1]),
        ("are being packed", (Step.PACKING,)),
    )
    said = []
    for what, steps in groups:
        count = int(np.isin(here.step, [STEP_CODE[step] for step in steps]).sum())
        if count:
            said.append(f"{count} {what if count > 1 else _one(what)}")
    orders = int(np.unique(here.order).size)
    return Answer(
        question,
        f"{words.capital(words.count(len(here), 'piece'))} of {words.count(orders, 'order')}: "
        f"{words.listed(said)}.",
    )


def _one(what: str) -> str:
    return what.replace("are ", "is ", 1).replace("wait ", "waits ", 1)
