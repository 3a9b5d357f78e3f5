"""When an order is ready, in words: always between two days, never one alone. Pure."""

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from app.orders.facts.order import CopyFacts, OrderFacts
from app.orders.facts.ranges import Rests, Shown, weeks
from app.shared.carriers import last_arrival, said_way
from app.shared.web import words
from app.status import approval_words
from app.status.document import Block
from app.status.voice import Days, own, whole


def when(facts: OrderFacts, days: Days) -> Iterable[Block]:
    """When it is ready: weeks before the photos have passed, between two days after."""
    if not facts.passed:
        yield from _before_passing(facts)
    elif facts.shown is None:
        yield Block("text", ("We’re working out the dates, and will have them within the hour.",))
    elif facts.shown.longer:
        yield from _longer(facts.shown, days)
    else:
        yield from _between(facts, facts.shown, days)
    if facts.unpaid is not None and facts.passed:
        yield Block("quiet", (f"Each day we wait for {facts.unpaid.called} adds a day.",))
    if any(question.blocking and question.unpaid is None for question in facts.questions):
        yield Block("quiet", ("Each day we wait for your answer adds a day.",))
    yield from approval_words.dates_count_on_it(facts)
    models = (animal.model for animal in facts.alive if animal.passed)
    if any(one.held for one in (*models, *(copy.standing for copy in facts.copies))):
        yield Block(
            "quiet", ("While work is paused, the dates can move. We’ll tell you if they do.",)
        )
    if facts.needed_by is not None:
        yield Block("quiet", (_needed(facts, days),))


def _before_passing(facts: OrderFacts) -> Iterable[Block]:
    missing = [animal for animal in facts.alive if not animal.passed]
    whose = words.listed([own(animal.name) for animal in missing])
    span = weeks(facts.weeks.low, facts.weeks.high)
    ready = _who(facts, facts.copies)
    until = f" from the day we can work from {whose} photos until {ready} ready."
    yield Block("range", ("It takes ", span, until))
    text = (
        "Our own time starts on that day, because only then do we know how well we can work from "
        "the photos. Any date before it would be a guess."
    )
    yield Block("quiet", (f"{text} {_of_the_weeks(facts.weeks.basis)}".strip(),))


def _of_the_weeks(basis: str) -> str:
    match Rests.of(basis):
        case Rests.ON_THE_TRADE:
            return (
                "The weeks are what’s usual in the trade, as we don’t have enough of a record of "
                "our own yet."
            )
        case Rests.ON_BOTH:
            return "The weeks are partly what’s usual in the trade, as our own record is short."
        case Rests.ON_OUR_WEEKS:
            return "The weeks are what we usually need."
        case Rests.ON_WEEKS_AND_OWN:
            return (
                "The weeks come partly from how long animals like these have taken us, and partly "
                "from what we usually need."
            )
        case _:
            return "The weeks come from how long animals like these have taken us."


def _of_the_days(basis: str, begun: bool) -> str:
    """What the days rest on, and what they mean; `begun` where the first of them is now."""
    match Rests.of(basis):
        case Rests.ON_A_WORD:
            return "These are the dates we gave you."
        case Rests.ON_THE_TRADE:
            return (
                "We worked these dates out from what’s usual in the trade, as we don’t have enough "
                "of a record of our own yet, so they’re far apart."
            )
        case Rests.ON_BOTH:
            return (
                "We worked these dates out partly from what’s usual in the trade, as our own "
                "record is short, so they’re far apart."
            )
        case Rests.ON_OUR_WEEKS:
            return "We worked these dates out from the weeks we usually need."
        case Rests.ON_WEEKS_AND_OWN:
            return (
                "We worked these dates out partly from how long orders like this have taken us, "
                "and partly from the weeks we usually need."
            )
        case _:
            how = "one or two take longer" if begun else "one or two later"
            early = "" if begun else "about one is ready sooner and "
            return (
                "We worked these dates out from how long orders like this have taken us. Out of "
                f"ten, {early}{how}."
            )


def _between(facts: OrderFacts, shown: Shown, days: Days) -> Iterable[Block]:
    assert shown.from_day is not None
    assert shown.to_day is not None
    last = days.day(shown.to_day)
    low, high = (shown.from_day - days.today).days, (shown.to_day - days.today).days
    begun = low <= 0
    first = days.day(shown.from_day)
    if begun:
        first = days.day(days.today) if days.dated else "now"
    here = [copy for copy in facts.copies if not copy.gone]
    lead = f"{words.capital(_who(facts, here))} most likely ready to leave us between "
    yield Block("range", (lead, first, " and ", last, "."))
    count = f"That’s {_in_weeks(low, high)}. " if high >= 7 else ""
    basis = _of_the_days(shown.basis, begun=begun)
    closed = _closures(shown, days)
    yield Block("quiet", (f"{count}{basis}{closed} {_if_they_change(facts)}",))


def _if_they_change(facts: OrderFacts) -> str:
    """That a change is told. Days told before something was to be made again do not allow for it
    until they are known to hold."""
    if not any(copy.made_again for copy in facts.copies):
        return "If they change, we’ll tell you."
    if facts.runs_over or facts.working_out:
        return "We’re making something again, and we’ll write if that moves them."
    return "The dates allow for what we’re making again. If they change, we’ll tell you."


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
    return f" We’re closed {words.listed(said)}; the dates allow for that." if said else ""


def _who(facts: OrderFacts, here: Sequence[CopyFacts]) -> str:
    """Whose making is spoken of, with its verb: the copies that are still here."""
    if len(here) == 1:
        [animal] = [animal for animal in facts.alive if here[0] in animal.made]
        if len(animal.made) > 1:
            return "the last copy is"
        them = whole(here[0], animal)
        return f"{them} {them.verb('is', 'are')}"
    if len(here) < len(facts.copies):
        return "the rest is"
    return "both copies are" if len(here) == 2 and len(facts.alive) == 1 else "everything is"


def _in_weeks(low: int, high: int) -> str:
    said = weeks(max(0, low), high)
    return said.replace("up to", "within") if said.startswith("up to") else f"in {said}"


def _longer(shown: Shown, days: Days) -> Iterable[Block]:
    yield Block("text", ("It’s taking longer than the dates we gave you.",))
    if shown.write_by is not None:
        yield Block("text", (f"We’ll write with new ones by {days.day(shown.write_by)}.",))


def too_late(named: str) -> str:
    """Of a day asked for that lies behind us."""
    return (
        f"You asked for {named}, and we’re past that day now. If you need it by another day, "
        "please write and tell us."
    )


def _needed(facts: OrderFacts, days: Days) -> str:
    assert facts.needed_by is not None
    named = days.day(facts.needed_by)
    if facts.needed_by < days.today:
        return too_late(named)
    shown = facts.shown
    if facts.passed and shown is not None and shown.to_day is not None:
        if shown.to_day < facts.needed_by:
            return _before(facts, shown.to_day, days)
        far = "right up to" if shown.to_day == facts.needed_by else "past"
        return (
            f"You asked for {named}, and these dates go {far} it. We know. Please write to us if "
            "that day can’t move."
        )
    noted = f"You asked for {named}. We’ve noted it with your order"
    at_the_end = days.today + timedelta(facts.weeks.high)
    if not facts.passed and last_arrival(at_the_end, facts.journey) > facts.needed_by:
        way = " and the journey to you" if facts.journey is not None else ""
        return f"{noted}, but these weeks{way} may go past it, even if they start straight away."
    return f"{noted}."


def _before(facts: OrderFacts, last: date, days: Days) -> str:
    """That the dates lie before the day asked for, held against when it arrives."""
    assert facts.needed_by is not None
    named = days.day(facts.needed_by)
    if facts.journey is None:
        return (
            f"You asked for {named}. These dates are earlier than that, but the journey to you "
            "comes on top of them."
        )
    way, there = said_way(facts.journey), last_arrival(last, facts.journey)
    if there <= facts.needed_by:
        return (
            f"You asked for {named}. These dates leave time for the journey, which usually takes "
            f"{way}."
        )
    return (
        f"You asked for {named}. These dates are earlier than that, but the journey usually takes "
        f"{way}: if it leaves us on the last of them, it may only arrive by {days.day(there)}. We "
        "know. Please write to us if that day can’t move."
    )
