"""When an order is ready, in words: always between two days, never one alone. Pure."""

from collections.abc import Iterable
from datetime import date, timedelta

from app.flow.steps import Step
from app.orders.facts.order import OrderFacts
from app.orders.facts.ranges import Rests, Shown, weeks
from app.shared.web import words
from app.status.document import Block
from app.status.voice import Days, own


def when(facts: OrderFacts, days: Days) -> Iterable[Block]:
    """When it is ready: weeks before the photos have passed, between two days after."""
    if not facts.passed:
        yield from _before_passing(facts)
    elif facts.shown is None:
        yield Block("text", ("We are working out the days. They will stand here within the hour.",))
    elif facts.shown.longer:
        yield from _longer(facts.shown, days)
    else:
        yield from _between(facts, facts.shown, days)
    if any(question.blocking for question in facts.questions):
        yield Block(
            "quiet", ("While we wait for your answer the days move on with it, one for one.",)
        )
    models = (animal.model for animal in facts.alive if animal.passed)
    if any(one.held for one in (*models, *(copy.standing for copy in facts.copies))):
        yield Block("quiet", ("While something rests the days can move. We tell you if they do.",))
    if facts.needed_by is not None:
        yield Block("quiet", (_needed(facts, days),))


def _before_passing(facts: OrderFacts) -> Iterable[Block]:
    missing = [animal for animal in facts.alive if not animal.passed]
    whose = words.listed([own(animal.name) for animal in missing])
    many = "everything is" if len(facts.copies) > 1 else "the piece is"
    span = weeks(facts.weeks.low, facts.weeks.high)
    until = f" from the day {whose} photographs are settled until {many} ready."
    yield Block("range", ("It takes ", span, until))
    text = (
        "Our own time starts on that day: we know then how well we can work from them. "
        "Before it, any day that we named would be a guess."
    )
    yield Block("quiet", (f"{text} {_of_the_weeks(facts.weeks.basis)}".strip(),))


def _of_the_weeks(basis: str) -> str:
    match Rests.of(basis):
        case Rests.ON_THE_TRADE:
            return "The weeks come from what is usual in the trade, not yet from our own record."
        case Rests.ON_BOTH:
            return "The weeks come partly from what is usual in the trade: our record is short yet."
        case _:
            return "The weeks come from how long animals like these have taken us."


def _of_the_days(basis: str, begun: bool) -> str:
    """What the days rest on, and what they mean; `begun` where the first of them is now."""
    match Rests.of(basis):
        case Rests.ON_A_WORD:
            return "These are the days that we told you."
        case Rests.ON_THE_TRADE:
            return (
                "We worked these days out from what is usual in the trade, not yet from our own "
                "record, so they lie far apart."
            )
        case Rests.ON_BOTH:
            return (
                "We worked these days out partly from what is usual in the trade, because our own "
                "record is short yet, so they lie far apart."
            )
        case _:
            early = (
                "" if begun else "about one in ten was ready before the first of these days, and "
            )
            late = "later day" if begun else "second"
            return (
                f"We count from how long pieces like these have taken us: {early}about one in "
                f"seven was ready after the {late}."
            )


def _between(facts: OrderFacts, shown: Shown, days: Days) -> Iterable[Block]:
    assert shown.from_day is not None
    assert shown.to_day is not None
    many = _who_is_ready(facts)
    last = days.day(shown.to_day)
    low, high = (shown.from_day - days.today).days, (shown.to_day - days.today).days
    begun = low <= 0
    first = days.day(shown.from_day)
    if begun:
        first = days.day(days.today) if days.dated else "now"
    lead = f"Most likely {many} ready to leave us between "
    yield Block("range", (lead, first, " and ", last, "."))
    count = f"That is {_in_weeks(low, high)}. " if high >= 7 else ""
    basis = _of_the_days(shown.basis, begun=begun)
    again = ""
    if any(copy.made_again for copy in facts.copies):
        again = " What is being made again is counted in."
    closed = _closures(shown, days)
    yield Block("quiet", (f"{count}{basis}{closed}{again} If they change for you, we tell you.",))


def _closures(shown: Shown, days: Days) -> str:
    """The closures that lie before the later day, from their first day to their last."""
    assert shown.to_day is not None
    closed = sorted(day for day in days.calendar.closed if day > days.today)
    runs: list[list[date]] = []
    for day in closed:
        # A weekend between two closed days belongs to the closure.
        if runs and days.calendar.working_days_between(runs[-1][-1], day) <= 0:
            runs[-1].append(day)
        else:
            runs.append([day])
    long = [run for run in runs if len(run) > 1 and run[0] <= shown.to_day]
    said = [f"from {days.day(run[0])} to {days.day(run[-1])}" for run in long]
    return f" We are closed {words.listed(said)}; that is counted in." if said else ""


def _who_is_ready(facts: OrderFacts) -> str:
    """Of what the range speaks: the pieces that are still here."""
    copies = facts.copies
    here = [copy for copy in copies if copy.step not in (Step.HANDED_OVER, Step.RECEIVED)]
    if len(here) < len(copies):
        return "the last piece is" if len(here) == 1 else "the rest is"
    return {1: "it is", 2: "both are"}.get(len(copies), "everything is")


def _in_weeks(low: int, high: int) -> str:
    said = weeks(max(0, low), high)
    return said.replace("up to", "within") if said.startswith("up to") else f"in {said}"


def _longer(shown: Shown, days: Days) -> Iterable[Block]:
    yield Block("text", ("It will take longer than the days we last named.",))
    if shown.write_by is not None:
        yield Block("text", (f"We write to you with new ones by {days.day(shown.write_by)}.",))


def _needed(facts: OrderFacts, days: Days) -> str:
    assert facts.needed_by is not None
    named = days.day(facts.needed_by)
    shown = facts.shown
    if facts.passed and shown is not None and shown.to_day is not None:
        if shown.to_day < facts.needed_by:
            return f"You named {named}; these days lie before it."
        far = "up to" if shown.to_day == facts.needed_by else "beyond"
        return (
            f"You named {named}, and these days reach {far} it. We know of it. Please write to us "
            "if that day cannot move."
        )
    noted = f"You named {named}. It is noted with your order"
    if not facts.passed and facts.needed_by <= days.today + timedelta(facts.weeks.high):
        return f"{noted}, but these weeks may reach beyond it, even if they begin now."
    return f"{noted}."
