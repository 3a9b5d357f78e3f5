"""From an order's facts to its public document. Pure: no clock, no database.

What is never said: a share done, a single day as the end, anybody's surname, mail, phone or
address, a price, other customers, whose fault anything was. Words of the staff that were not
written for the customer (notes, reasons, the text of questions) do not come in here at all.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

from app.flow.steps import PHOTO_STEPS, Step
from app.orders.order_facts import AnimalFacts, OrderFacts, ParcelFacts, QuestionFacts, is_quiet
from app.orders.ranges import Shown, weeks
from app.shared.calendar import Calendar
from app.shared.web import words
from app.status import photo_words, piece_words
from app.status.document import Block, Contact, Document, Section, ToDo
from app.status.voice import Days, own

DAMAGE_WITHIN_DAYS = 7
_NOTHING = "You need to do nothing at the moment."
_TOPICS = {
    "spelling": "the spelling of the inscription",
    "colour": "a colour",
    "address": "where the parcel is to go",
    "customs": "the customs papers",
    "approval": "pictures that we sent you to look at",
    "model approval": "pictures of the model that we sent you to look at",
    "paint approval": "pictures of the painting that we sent you to look at",
    "photos": "the photographs",
    "pose": "the pose",
    "size": "the size",
}


@dataclass(frozen=True, slots=True)
class Teller:
    """The studio that speaks: its name, contact and calendar, and whether it makes blanks."""

    name: str
    contact: Contact
    calendar: Calendar
    blank_on: bool = True


def document(facts: OrderFacts, teller: Teller, now: int) -> Document:
    """An order's status page as it reads now."""
    days = Days(teller.calendar, now)
    names = words.listed([animal.name for animal in facts.animals]) or f"Order {facts.number}"
    neutral = f"Order {facts.number}"
    return Document(
        title=neutral if facts.gift else names,
        heading=f"Your order {facts.number}" if facts.gift else names,
        studio=teller.name,
        number=facts.number,
        todo=to_do(facts, days),
        sections=tuple(_sections(facts, teller, days)),
        as_of=_as_of(days),
        private=_private(facts),
        contact=teller.contact,
    )


def _as_of(days: Days) -> str:
    there = days.calendar.local(days.now)
    return (
        f"As of {words.weekday(there.date())} {days.day(there.date())}, "
        f"{there.hour}:{there.minute:02}."
    )


def _private(facts: OrderFacts) -> str:
    text = (
        "This page is private to whoever has its link; please pass it on only to people you trust."
    )
    if facts.gift:
        text += " It is a gift: we write to you alone, and say nothing of it to anybody else."
    return text


# ---------------------------------------------------------------- what you need to do


def to_do(facts: OrderFacts, days: Days) -> ToDo:
    """The top of the page: what the customer needs to do, usually nothing."""
    if not facts.alive:
        return ToDo("You need to do nothing.", "This order was cancelled.")
    tasks = [*_questions(facts, days), *_photographs(facts), *_spelling(facts)]
    if len(tasks) > 1:
        count = words.count(len(tasks), "thing")
        return ToDo(f"There are {count} that we need from you.", "", tuple(tasks))
    if tasks:
        answer, _, more = tasks[0].partition(". ")
        return ToDo(f"{answer.rstrip('.')}.", more)
    return _nothing(facts)


def _nothing(facts: OrderFacts) -> ToDo:
    if facts.received:
        assumed = any(copy.received_assumed for copy in facts.copies)
        if assumed:
            return ToDo("You need to do nothing, if all is well.", "If it is not, write to us.")
        return ToDo("You need to do nothing more.", "If anything is not right, tell us.")
    if facts.left:
        return ToDo("You need to do nothing.", "Everything is finished and has left us.")
    if any(a.model.step is Step.PHOTOS_WANTED and a.told_at is not None for a in facts.alive):
        return ToDo("You need to do nothing until we write.")
    if any(copy.standing.hold_whose == "customer" for copy in facts.copies) or any(
        animal.model.hold_whose == "customer" for animal in facts.alive
    ):
        return ToDo("You need to do nothing.", "Write to us when you would like us to go on.")
    return ToDo(_NOTHING, "We will write when there is news.")


def _questions(facts: OrderFacts, days: Days) -> Iterable[str]:
    for question in facts.questions:
        yield _question(question, facts, days)


def _question(question: QuestionFacts, facts: OrderFacts, days: Days) -> str:
    topic = _TOPICS.get(question.topic.strip().casefold(), "your order")
    animal = next((a for a in facts.animals if a.letter == question.letter), None)
    whose = f", for {animal.name}" if animal is not None and len(facts.animals) > 1 else ""
    way = {
        "letter": "by mail", "mail": "by mail", "phone": "on the phone", "shop": "in the shop",
        "in_person": "in person",
    }.get(question.channel, "")  # fmt: skip
    asked = " ".join(filter(None, ("We asked", way, f"on {days.at(question.asked_at)}")))
    then = "; it waits until we hear from you." if question.blocking else "."
    return f"Please answer our question about {topic}{whose}. {asked}{then}"


def _photographs(facts: OrderFacts) -> Iterable[str]:
    wanted = [a for a in facts.alive if a.model.step is Step.PHOTOS_WANTED and a.told_at is None]
    wanted = [animal for animal in wanted if not animal.model.held]
    first = [animal for animal in wanted if not animal.attempts]
    living = [animal.name for animal in first if not animal.remembered]
    if living:
        yield (
            f"Please send us photographs of {words.listed(living)}. Below is how many, and from "
            "where."
        )
    for animal in first:
        if animal.remembered:
            yield f"Please send us the photographs you have of {animal.name}. There is no hurry."
    for animal in wanted:
        if animal.attempts and animal.remembered:
            yield (
                f"Please see whether you have a few more views of {animal.name}. Below is which "
                "ones would help; if there are none, tell us."
            )
        elif animal.attempts:
            count = words.count(len(animal.views), "more view") if animal.views else "more views"
            yield f"Please send us {count} of {animal.name}. Below is which ones."


def _spelling(facts: OrderFacts) -> Iterable[str]:
    open_ones = [
        copy
        for copy in facts.copies
        if not copy.spelling_confirmed and copy.step not in (Step.HANDED_OVER, Step.RECEIVED)
    ]
    if open_ones:
        said = words.listed([f"“{copy.inscription}”" for copy in open_ones])
        yield (
            f"Please read the inscription letter by letter: {said}. Write to us that it is right, "
            "or how it should read."
        )


# ---------------------------------------------------------------- the letter


def _sections(facts: OrderFacts, teller: Teller, days: Days) -> Iterable[Section]:
    quiet = is_quiet(facts, days.now)
    for animal in facts.animals:
        alone = len(facts.animals) == 1 and not facts.gift
        heading = "How the work stands" if alone else animal.name
        yield Section(heading, tuple(_animal(animal, facts, teller, days, quiet)))
    first = [
        animal
        for animal in facts.alive
        if animal.model.step is Step.PHOTOS_WANTED
        and animal.told_at is None
        and not animal.attempts
        and not animal.model.held
    ]
    yield from _parcels(facts, days)
    if facts.alive and facts.open and not facts.left:
        yield Section("When", tuple(_when(facts, teller, days)))
    yield from photo_words.how_to(first)
    yield from _more_copies(facts, days)
    if facts.received:
        yield from _care(facts, days)
    ordered = piece_words.ordered(facts.alive)
    if ordered:
        begun = not any(a.model.step is Step.PHOTOS_WANTED for a in facts.alive)
        yield Section("What you ordered", tuple(ordered), folded=facts.gift or begun)


def _animal(
    animal: AnimalFacts, facts: OrderFacts, teller: Teller, days: Days, quiet: bool
) -> list[Block]:
    if animal.cancelled:
        return [Block("text", (f"Nothing more is made of {animal.name} in this order.",))]
    step = animal.model.step
    if step in PHOTO_STEPS and animal.model.held:
        return [Block("text", (piece_words.model_hold(animal, days),))]
    if step in PHOTO_STEPS:
        blocks = photo_words.until_passed(animal, days)
        still = piece_words.model_still_waits(animal, facts, days) if quiet else []
        return [*blocks, *still]
    if step is Step.FINISHING:
        still = piece_words.model_still_waits(animal, facts, days) if quiet else []
        return [*piece_words.finishing(animal, facts, days, teller.blank_on), *still]
    blocks = piece_words.making(animal, facts, days, quiet)
    at_the_model = any(copy.step is Step.NOT_BEGUN for copy in animal.copies)
    if not facts.left and not at_the_model and animal.passed_at is not None:
        finished = f"{piece_words.passed(animal, facts, days)} The model is finished."
        blocks.append(Block("quiet", (finished,)))
    return blocks


def _when(facts: OrderFacts, teller: Teller, days: Days) -> Iterable[Block]:
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
    if any(copy.standing.held for copy in facts.copies):
        yield Block("quiet", ("While something rests the days can move. We tell you if they do.",))
    if facts.needed_by is not None:
        yield Block("quiet", (_needed(facts, days),))


def _before_passing(facts: OrderFacts) -> Iterable[Block]:
    missing = [animal for animal in facts.alive if not animal.passed]
    whose = words.listed([own(animal.name) for animal in missing])
    many = "everything is" if len(facts.copies) > 1 else "the piece is"
    span = weeks(facts.weeks.low, facts.weeks.high)
    until = f" from the day {whose} photographs pass until {many} ready."
    yield Block("range", ("It takes ", span, until))
    text = (
        "Our own time starts on that day: a model has then been built from them and found good. "
        "Before it, any day that we named would be a guess."
    )
    yield Block("quiet", (f"{text} {_trade(facts.weeks.from_the_trade)}".strip(),))


def _trade(from_the_trade: bool) -> str:
    if not from_the_trade:
        return ""
    return "The weeks come from what is usual in the trade, not yet from our own record."


def _between(facts: OrderFacts, shown: Shown, days: Days) -> Iterable[Block]:
    assert shown.from_day is not None
    assert shown.to_day is not None
    many = _who_is_ready(facts)
    last = days.day(shown.to_day)
    low, high = (shown.from_day - days.today).days, (shown.to_day - days.today).days
    first = "now" if low <= 0 else days.day(shown.from_day)
    lead = f"Most likely {many} ready to leave us between "
    yield Block("range", (lead, first, " and ", last, "."))
    count = f"That is {_in_weeks(low, high)}. " if high >= 7 else ""
    if shown.from_the_trade:
        basis = (
            "We worked these days out from what is usual in the trade, not yet from our own "
            "record, so they lie far apart."
        )
    else:
        early = (
            "" if low <= 0 else "about one in ten was ready before the first of these days, and "
        )
        basis = (
            f"We count from how long pieces like these have taken us: {early}about one in seven "
            f"was ready after the {'later day' if low <= 0 else 'second'}."
        )
    again = ""
    if any(copy.made_again for copy in facts.copies):
        again = " What is being made again is counted in."
    yield Block("quiet", (f"{count}{basis}{again} If they change for you, we tell you.",))


def _who_is_ready(facts: OrderFacts) -> str:
    """Of what the range speaks: the pieces that are still here."""
    copies = facts.copies
    here = [copy for copy in copies if copy.step not in (Step.HANDED_OVER, Step.RECEIVED)]
    if len(here) < len(copies):
        return "the last piece is" if len(here) == 1 else "the rest is"
    return {1: "it is", 2: "both are"}.get(len(copies), "everything is")


def _in_weeks(low: int, high: int) -> str:
    said = weeks(max(0, low), high)
    return f"in {said.replace('up to', 'at most')}"


def _longer(shown: Shown, days: Days) -> Iterable[Block]:
    yield Block("text", ("It will take longer than the days we last named.",))
    if shown.write_by is not None:
        yield Block("text", (f"We write to you with new ones by {days.day(shown.write_by)}.",))


def _needed(facts: OrderFacts, days: Days) -> str:
    assert facts.needed_by is not None
    named = days.day(facts.needed_by)
    shown = facts.shown
    if facts.passed and shown is not None and shown.to_day is not None:
        if shown.to_day <= facts.needed_by:
            return f"You named {named}; these days lie before it."
        return (
            f"You named {named}, and these days reach beyond it. We know of it. Please write to us "
            "if that day cannot move."
        )
    return f"You named {named}. It is noted with your order."


def _more_copies(facts: OrderFacts, days: Days) -> Iterable[Section]:
    """Until when copies may still join, and how to ask."""
    open_models = [animal for animal in facts.alive if animal.model.step is Step.FINISHING]
    deadline = facts.copy_deadline
    if not open_models or (deadline is not None and deadline < days.today):
        return
    names = words.listed([animal.name for animal in open_models])
    until = f"until {days.day(deadline)}" if deadline is not None else "until the model is finished"
    text = (
        f"You can add copies of {names} {until}, and they travel with the rest. Write to us how "
        "many and how large. Later ones are a new order from the same model, with no new "
        "photographs."
    )
    yield Section("More copies", (Block("text", (text,)),))


# ---------------------------------------------------------------- parcels, and after


def _parcels(facts: OrderFacts, days: Days) -> Iterable[Section]:
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


def _care(facts: OrderFacts, days: Days) -> Iterable[Section]:
    last = max(copy.standing.since for copy in facts.copies)
    by = days.calendar.day_of(last) + timedelta(days=DAMAGE_WITHIN_DAYS)
    count = len(facts.copies)
    it, its = ("it", "its") if count == 1 else ("them", "their")
    yield Section(
        f"Looking after {it}",
        (
            Block(
                "points",
                (
                    f"Lift {it} by the base or the body, never by an ear, a leg or the tail."
                    if count == 1
                    else "Lift each by the base or the body, never by an ear, a leg or the tail.",
                    f"Dust {it} with a soft dry brush. No water, no cleaner, no polish.",
                    f"Keep {it} out of full sun and away from heaters.",
                    "The paint goes on hardening for some weeks. Until then nothing should press "
                    f"on {its} surface, and wrapping should stay loose.",
                ),
            ),
        ),
    )
    until = f"by {days.day(by)}" if by >= days.today else "as soon as you can"
    yield Section(
        "If something is damaged",
        (
            Block(
                "steps",
                (
                    "Keep everything: the piece, every part that came off, both the inner and the "
                    "outer packing, and the label.",
                    "Photograph the piece, the packing and the label, as they are.",
                    f"Write to us {until}, with the pictures and the number of your order. "
                    "Carriers ask for such reports early.",
                    "Please send nothing back before we have answered, and glue nothing.",
                ),
            ),
        ),
        folded=by < days.today,
    )
