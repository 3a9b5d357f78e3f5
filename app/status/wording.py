"""From an order's facts to its public document. Pure: no clock, no database.

What is never said: a share done, a single day as the end, anybody's surname, mail, phone or
address, a price, other customers, whose fault anything was. Words of the staff that were not
written for the customer (notes, reasons, what was asked by word of mouth) do not come in here.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from app.flow.steps import PHOTO_STEPS, Step
from app.orders.facts.order import AnimalFacts, OrderFacts, WaitFacts, joining
from app.orders.facts.standing import is_quiet
from app.shared.calendar import Calendar
from app.shared.web import words
from app.status import (
    aftercare_words,
    approval_words,
    lent_words,
    model_words,
    parcel_words,
    photo_words,
    piece_words,
    range_words,
    waiting_words,
)
from app.status.document import Block, Document, Section, StudioContact, ToDo
from app.status.order_words import said_back
from app.status.picture_words import CaptionedPicture, OwnPhoto, picture, with_own_photos
from app.status.tasks import first_wanted, tasks
from app.status.together import models_of, stands_with, told_apart
from app.status.voice import Days, likenesses, named

_NOTHING = "There’s nothing you need to do"
CANCELLED = "This order has been cancelled, and we’ve stopped all work on it."
SURPRISED = (
    "If that comes as a surprise, or if we still have something of yours, please write to us."
)


@dataclass(frozen=True, slots=True)
class Teller:
    """The studio that speaks: its name, contact and calendar, its own sentence on how files reach
    it, whether it makes blanks, and its own words in letters, by field."""

    name: str
    contact: StudioContact
    calendar: Calendar
    how_to_send: str
    blank_on: bool = True
    own_words: Mapping[str, str] = field(default_factory=dict)


def document(
    facts: OrderFacts, teller: Teller, now: int, shown: Sequence[CaptionedPicture] = (),
    own: Sequence[OwnPhoto] = (),
) -> Document:  # fmt: skip
    """An order's status page as it reads now, with the pictures that are shown on it and the
    customer's own photos that a request names."""
    days = Days(teller.calendar, now)
    names = words.listed([animal.name for animal in facts.animals]) or f"Order {facts.number}"
    neutral = f"Order {facts.number}"
    return Document(
        title=neutral if facts.gift else names,
        heading=f"Your order {facts.number}" if facts.gift else names,
        studio=teller.name,
        number=facts.number,
        todo=to_do(facts, days),
        sections=tuple(_sections(facts, teller, days, own)),
        as_of=_as_of(days),
        private=_private(facts),
        contact=teller.contact,
        pictures=tuple(picture(one, facts.gift, days) for one in shown),
    )


def _as_of(days: Days) -> str:
    there = days.calendar.local(days.now)
    return (
        f"As of {words.weekday(there.date())} {days.day(there.date())}, "
        f"{there.hour}:{there.minute:02}."
    )


def _private(facts: OrderFacts) -> str:
    text = (
        "This page is private to whoever has its link; please share it only with people you trust."
    )
    if facts.gift:
        text += " Your order is a gift: we write to you alone, and tell nobody else about it."
    return text


# ---------------------------------------------------------------- what you need to do


def to_do(facts: OrderFacts, days: Days) -> ToDo:
    """The top of the page: what the customer needs to do, usually nothing."""
    if facts.waits is not None and facts.waits.off:
        return ToDo(f"{_NOTHING}.", f"{waiting_words.OFF} {SURPRISED}")
    if facts.waits is not None:
        return ToDo(f"{_NOTHING} right now.", "We’ll write to you before we begin.")
    if not facts.alive and not facts.cases:
        return ToDo(f"{_NOTHING}.", f"{CANCELLED} {SURPRISED}")
    found = tasks(facts, days)
    if len(found) > 1:
        count = words.count(len(found), "thing")
        every = tuple(task.said() for task in found)
        return ToDo(f"There are {count} we need from you.", "", every)
    if found:
        return ToDo(found[0].ask, f"{found[0].on_page} {found[0].more}".strip())
    return _nothing(facts)


def _nothing(facts: OrderFacts) -> ToDo:
    if facts.cases:
        return ToDo(f"{_NOTHING} right now.", "We’ll write when there’s news.")
    if facts.received:
        if any(copy.received_assumed for copy in facts.copies):
            return ToDo(f"{_NOTHING}, if all is well.", "If it isn’t, write to us.")
        return ToDo("There’s nothing more you need to do.", "If anything isn’t right, tell us.")
    if facts.left:
        return ToDo(f"{_NOTHING}.", _all_left(facts))
    if any(a.model.step is Step.PHOTOS_WANTED and a.told_at is not None for a in facts.alive):
        return ToDo(f"{_NOTHING} until we write.")
    pieces = (*(copy.standing for copy in facts.copies), *(a.model for a in facts.alive))
    if any(standing.hold_whose == "customer" for standing in pieces):
        return ToDo(f"{_NOTHING}.", "Write to us when you’d like us to carry on.")
    return ToDo(f"{_NOTHING} right now.", "We’ll write when there’s news.")


def _all_left(facts: OrderFacts) -> str:
    by_carrier = {parcel.id for parcel in facts.parcels if parcel.way == "carrier"}
    under_way = [copy for copy in facts.copies if copy.step is Step.HANDED_OVER]
    if all(copy.parcel_id in by_carrier for copy in under_way):
        named = [a for a in facts.alive if any(copy in under_way for copy in a.shown_in)]
        return parcel_words.finished(named, travel=True)
    return "Your order is finished and has left the workshop."


# ---------------------------------------------------------------- the letter


def _sections(
    facts: OrderFacts, teller: Teller, days: Days, own: Sequence[OwnPhoto]
) -> Iterable[Section]:
    if facts.waits is not None:
        yield from _waiting(facts, facts.waits, days)
        return
    quiet = is_quiet(facts, days.now)
    for names, animal in told_apart(facts.animals):
        alone = len(facts.animals) == 1 and not facts.gift
        heading = "Where things are" if alone else names
        otherwise = approval_words.asked_otherwise(animal, facts)
        blocks = _animal(animal, facts, teller, days, quiet)
        photos = [photo for photo in own if photo.letter == animal.letter]
        yield Section(heading, (*otherwise, *with_own_photos(blocks, photos)))
    yield from aftercare_words.sections(facts, days)
    yield from parcel_words.parcels(facts, days)
    yield from lent_words.section(facts, days)
    if facts.alive and facts.open and not facts.left:
        yield Section("When", tuple(range_words.when(facts, days)))
    yield from photo_words.how_to(first_wanted(facts), teller.how_to_send, drawn=True)
    yield from _more_copies(facts, days)
    if facts.received:
        yield from parcel_words.care(facts, days)
    ordered = said_back(facts, days)
    if ordered:
        begun = not any(a.model.step is Step.PHOTOS_WANTED for a in facts.alive)
        yield Section("What you ordered", tuple(ordered), folded=facts.gift or begun)


def _waiting(facts: OrderFacts, waits: WaitFacts, days: Days) -> Iterable[Section]:
    if not waits.off:
        yield Section("When we begin", tuple(waiting_words.on_the_list(facts, waits, days)))
        yield Section("What you ordered", tuple(said_back(facts, days)), folded=facts.gift)


def _animal(
    animal: AnimalFacts, facts: OrderFacts, teller: Teller, days: Days, quiet: bool
) -> list[Block]:
    if animal.cancelled and (lost := aftercare_words.gone_for_good(animal, facts)):
        return [Block("text", (lost,))]
    if animal.cancelled:
        return [Block("text", (piece_words.stopped(named(animal, animal.copies).words),))]
    step = animal.model.step
    if step in PHOTO_STEPS and animal.model.held:
        return [Block("text", (piece_words.model_hold(animal, days),))]
    if step in PHOTO_STEPS:
        blocks = photo_words.until_passed(animal, days)
        still = piece_words.model_still_waits(animal, facts, days) if quiet else []
        return [*blocks, *still]
    if step is Step.FINISHING:
        still = piece_words.model_still_waits(animal, facts, days) if quiet else []
        begun = [copy for copy in animal.made if copy.step is not Step.NOT_BEGUN]
        return [
            *model_words.finishing(animal, facts, days, teller.blank_on),
            *(piece_words.making(animal, facts, days, quiet, begun) if begun else ()),
            *still,
        ]
    blocks = piece_words.making(animal, facts, days, quiet)
    if not animal.copies and animal.shared:
        blocks.append(Block("text", (stands_with(animal, facts),)))
    at_the_model = any(copy.step is Step.NOT_BEGUN for copy in animal.shown_in)
    if not facts.left and not at_the_model and animal.passed_at is not None:
        finished = f"{model_words.passed(animal, facts, days)} The model is finished."
        if animal.copies and all(copy.beside for copy in animal.copies):
            finished = f"{words.capital(models_of(animal.copies[0]))} finished."
        blocks.append(Block("quiet", (finished,)))
    return blocks


def _more_copies(facts: OrderFacts, days: Days) -> Iterable[Section]:
    open_models = [a for a in joining(facts, days.today) if a.model.step is Step.FINISHING]
    if open_models:
        yield Section("More copies", (Block("text", (more_copies(open_models, facts, days),)),))


def more_copies(open_models: Iterable[AnimalFacts], facts: OrderFacts, days: Days) -> str:
    """Until when copies may still join, and how to ask."""
    animals, deadline = list(open_models), facts.copy_deadline
    names = likenesses(animals)
    finished = "their models are finished" if len(animals) > 1 else "the model is finished"
    until = f"until {finished if deadline is None else days.day(deadline)}"
    return (
        f"You can add copies of {names} {until}, and they’ll travel with the rest. Write and tell "
        "us how many and how large. After that, copies are a new order from the same model, and "
        "you won’t need to send new photos."
    )
