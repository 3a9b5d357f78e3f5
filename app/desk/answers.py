"""Ready texts for what customers ask every day, from the order's facts, in its tone. Pure.

They are written to be copied into an answer: short, plain, and no more certain than the page.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from app.flow.queue import HARDLY, NEARLY_SURE
from app.flow.steps import MAKING_STEPS, PLACE, Step
from app.letters.rules import says_when
from app.letters.sentences import of_an_act
from app.orders.facts.acts import acts_of
from app.orders.facts.changeable import Detail, changeable
from app.orders.facts.order import AnimalFacts, CopyFacts, OrderFacts, WaitFacts, joining
from app.shared.carriers import Journey, said_way
from app.shared.web import words
from app.status import (
    lent_words,
    model_words,
    parcel_words,
    piece_words,
    range_words,
    waiting_words,
)
from app.status.document import Block
from app.status.photo_words import more_views, until_passed
from app.status.tasks import payment
from app.status.voice import Days, named, own
from app.status.wording import more_copies, to_do


@dataclass(frozen=True, slots=True)
class ReadyText:
    """A question as customers put it, and a text that answers it."""

    key: str
    question: str
    text: str


@dataclass(frozen=True, slots=True)
class AskedDay:
    """A day by which it is wanted, and the chance (0 to 1) of its being there by then; None
    where none is known. It is `noted` where it stands with the order."""

    day: date
    chance: float | None
    noted: bool = False


@dataclass(frozen=True, slots=True)
class _Asked:
    facts: OrderFacts
    days: Days
    link: str
    by: AskedDay | None


def answers(
    facts: OrderFacts, days: Days, link: str, by: AskedDay | None = None
) -> list[ReadyText]:
    """Every ready text for an order; `link` is its status link, or empty, `by` the day that its
    customer asks about."""
    asked = _Asked(facts, days, link, by)
    given: Sequence[tuple[str, str, Callable[[_Asked], str]]] = (
        ("arrived", "Did my photos arrive?", _arrived),
        ("usable", "Can you work from my photos?", _usable),
        ("how_long", "How long will it take?", _how_long),
        ("add", "May I add one more?", _add),
        ("by_a_day", f"Can it be there by {days.day(by.day) if by else 'a day'}?", _by_a_day),
        ("change", "May I change something?", _change),
        ("too_late", "Is it too late to add or change something?", _too_late),
        ("parcel", "Where is the parcel?", _where_is_it),
        ("moving", "We’re moving house", _moving),
        ("cancel", "I’d like to cancel", _cancel),
        ("damaged", "Something is damaged or not right", _damaged),
        ("lent", "Do you still have what I lent you?", _lent),
        *_unasked(facts),
    )
    # Of an order that was cancelled, or has not begun, there is one thing to say to everything.
    one_thing = "" if facts.alive else to_do(facts, days).more
    if facts.waits is not None:
        one_thing = _on_the_list(facts, facts.waits, days)
    return [
        ReadyText(key, question, _letter(asked, one_thing or say(asked)))
        for key, question, say in given
    ]


def _on_the_list(facts: OrderFacts, waits: WaitFacts, days: Days) -> str:
    if waits.off:
        return to_do(facts, days).more
    return _text(list(waiting_words.on_the_list(facts, waits, days)))


_NO_NEW_PHOTOS = "We keep the model, so you won’t need to send new photos. It travels separately."


def _letter(asked: _Asked, body: str) -> str:
    """The body with its greeting, and the way to the page."""
    name = asked.facts.address_as
    hello = f"Hello {name}," if name else "Hello,"
    page = f"\n\nYou’ll always find the latest on your page: {asked.link}" if asked.link else ""
    return f"{hello}\n\n{body}{page}"


def _animal_by_animal(facts: OrderFacts, say: Callable[[AnimalFacts], str], nothing: str) -> str:
    said = [text for animal in facts.alive if (text := say(animal))]
    return " ".join(said) or nothing


def _arrived(asked: _Asked) -> str:
    def say(animal: AnimalFacts) -> str:
        whose = f"{own(animal.name)} photos"
        if animal.counted_at is not None and animal.model.step is not Step.PHOTOS_WANTED:
            many = f"all {animal.pictures} of them" if animal.pictures else "all of them"
            return (
                f"Yes, {whose} are here, {many}. We counted them in "
                f"{asked.days.on(animal.counted_at)}."
            )
        if animal.told_at is not None:
            return (
                f"You told us about {whose} {asked.days.on(animal.told_at)}. We haven’t counted "
                "them in yet, and will write as soon as we have."
            )
        if animal.views:
            return f"{whose} are here, but the extra views we asked for aren’t yet."
        if animal.passed:
            return ""
        return f"{whose} haven’t reached us yet. If you’ve sent them, tell us how."

    return _animal_by_animal(asked.facts, say, "We don’t need any photos from you.")


def _usable(asked: _Asked) -> str:
    def say(animal: AnimalFacts) -> str:
        whose = f"{own(animal.name)} photos"
        if animal.passed:
            if animal.passed_at is not None:
                good = model_words.passed(animal, asked.facts, asked.days)
            else:
                good = f"Yes, {whose} are good to work from."
            return " ".join(filter(None, (good, model_words.gaps(animal))))
        if animal.views:
            return "\n".join(_listed(block) for block in more_views(animal))
        if animal.model.step in (Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING):
            return (
                f"We’ll know for {animal.name} once a machine has built a model from the photos, "
                "which takes anything from hours to more than a day. We’ll write either way."
            )
        return f"We’ll know for {animal.name} once the photos are here and we’ve looked at them."

    return _animal_by_animal(asked.facts, say, "There’s nothing left to look at.")


def _lent(asked: _Asked) -> str:
    facts, days = asked.facts, asked.days
    said = [*lent_words.sentences(facts, days), *lent_words.went(facts, days)]
    return " ".join(said) or "By our records there’s nothing of yours here with us."


def _listed(block: Block) -> str:
    if block.kind != "steps":
        return "\n".join(block.lines)
    return "\n".join(f"{number}. {line}" for number, line in enumerate(block.lines, 1))


def _how_long(asked: _Asked) -> str:
    facts = asked.facts
    if facts.left:
        return _parcel(asked)
    blocks = list(range_words.when(facts, asked.days))
    where = " ".join(_where(animal, asked) for animal in facts.alive)
    return f"{where} {_text(blocks)}".strip()


def _where(animal: AnimalFacts, asked: _Asked) -> str:
    """Where an animal is, in one sentence of the status page."""
    if animal.wanted and animal.attempts:
        return f"We’re still waiting for more views of {animal.name}."
    if not animal.passed:
        return _text(until_passed(animal, asked.days)[:1])
    if animal.model.step is Step.FINISHING:
        return _text(model_words.finishing(animal, asked.facts, asked.days, True)[:1])
    return _text(piece_words.making(animal, asked.facts, asked.days, False)[:1])


def _text(blocks: Sequence[Block]) -> str:
    parts = ["".join(b.lines) if b.kind == "range" else " ".join(b.lines) for b in blocks]
    return " ".join(part for part in parts if part)


def _add(asked: _Asked) -> str:
    joins = _joins(asked)
    return f"Yes. {joins}" if joins else f"Yes, as an order of its own. {_NO_NEW_PHOTOS}"


def _joins(asked: _Asked) -> str:
    """Until when copies may still join; empty where none may."""
    open_models = joining(asked.facts, asked.days.today)
    return more_copies(open_models, asked.facts, asked.days) if open_models else ""


def _by_a_day(asked: _Asked) -> str:
    facts = asked.facts
    if asked.by is not None and not facts.left:
        # What the page says of that day, the chance says more closely.
        when = _text(list(range_words.when(replace(facts, needed_by=None), asked.days)))
        return f"{_chance(asked.by, asked.days, facts.journey)} {when}"
    when = _text(list(range_words.when(facts, asked.days))) if not facts.left else _parcel(asked)
    if facts.left or facts.needed_by is not None:
        return when
    return (
        f"{when} Tell us the day, and what it’s for. We’ll look at it each morning, and tell you "
        "at once if we can’t make it."
    )


def _chance(by: AskedDay, days: Days, journey: Journey | None) -> str:
    """An honest word on a day, with the journey in it."""
    asked = f"You asked {'for' if by.noted else 'about'} {days.day(by.day)}."
    if by.chance is None:
        return f"{asked} We’re working out the dates, so we can’t say yet."
    if by.chance < HARDLY:
        odds = "everything can hardly be with you by then"
    elif by.chance < NEARLY_SURE:
        ten = words.NUMBERS[max(1, round(by.chance * 10))]
        odds = f"about {ten} in ten orders like this would be with you by then"
    else:
        odds = "everything is very likely to be with you by then"
    way = f"the usual {said_way(journey)}" if journey is not None else "a day"
    return f"{asked} As things are now, {odds}, with {way} on the way."


def _change(asked: _Asked) -> str:
    facts = asked.facts
    if facts.left:
        return "Your order has left the workshop, so we can’t change anything now."
    where = _elsewhere(facts)
    said = list(_changes(facts))
    if not said:
        return f"The work is too far on to change the pose, size, base or inscription now. {where}"
    return " ".join(
        (
            *said,
            "Write and tell us what you’d like; an inscription letter by letter, please.",
            where,
        )
    )


def _elsewhere(facts: OrderFacts) -> str:
    parcel = "the rest leaves" if any(copy.gone for copy in facts.copies) else "the parcel leaves"
    return f"You can change the address until {parcel} us."


def _changes(facts: OrderFacts) -> Iterable[str]:
    """What can still change and what cannot, a sentence for the copies of which the same is so."""
    groups: dict[tuple[Detail, ...], list[tuple[AnimalFacts, CopyFacts]]] = {}
    for animal in facts.alive:
        for copy in animal.made:
            if not copy.gone:
                open_ = changeable(copy.step, confirmed=copy.spelling_confirmed)
                groups.setdefault(open_, []).append((animal, copy))
    if set(groups) == {()}:
        return
    for open_, group in groups.items():
        closed = [detail for detail in Detail if detail not in open_]
        for_whom = "" if len(groups) == 1 else f"For {_whose(group)} "
        if not open_:
            yield f"{words.capital(_whose(group))} can’t be changed any more."
            continue
        said = f"we can still change the {words.listed(open_)}"
        but = f", but not the {_either(closed)} any more" if closed else ""
        yield f"{for_whom}{said}{but}." if for_whom else f"Yes, {said}{but}."


def _either(closed: Sequence[Detail]) -> str:
    return " or ".join(", ".join(closed).rsplit(", ", 1))


def _whose(group: Sequence[tuple[AnimalFacts, CopyFacts]]) -> str:
    """The copies by name: copy 2 of Juniper, and Otis."""
    by_animal: dict[str, tuple[AnimalFacts, list[CopyFacts]]] = {}
    for animal, copy in group:
        by_animal.setdefault(animal.letter, (animal, []))[1].append(copy)
    return words.listed([str(named(animal, copies)) for animal, copies in by_animal.values()])


def _too_late(asked: _Asked) -> str:
    joins = _joins(asked)
    if joins:
        more = f"It isn’t too late to add a copy. {joins}"
    else:
        more = (
            "It’s too late for another copy to travel with these, but you can order one by itself. "
            f"{_NO_NEW_PHOTOS}"
        )
    return f"{more} {_change(asked)}"


# ---------------------------------------------------------------- what they should hear from us


def _unasked(facts: OrderFacts) -> Iterable[tuple[str, str, Callable[[_Asked], str]]]:
    """What no email tells by itself, and a person does: a hold, a cancellation, a remake."""
    if any(animal.made != animal.copies for animal in facts.animals) or not facts.alive:
        yield "cancelled", "To tell them: it’s cancelled", _of_the_act("cancelled")
    if facts.unpaid is not None:
        yield "deposit", f"To ask for {facts.unpaid.called}", _deposit
    standings = [copy.standing for copy in facts.copies]
    standings += [animal.model for animal in facts.alive]
    if any(standing.held for standing in standings):
        yield "held", "To tell them: it’s on hold", _of_the_act("on_hold")
    if any(copy.made_again for copy in facts.copies):
        yield ("made_again", "To tell them: it’s being made again", _of_the_act("made_again"))


def _deposit(asked: _Asked) -> str:
    """What has to be paid before work starts; how much stands on the bill."""
    said = " ".join(task.said(by_letter=True) for task in payment(asked.facts))
    wanted = any(animal.wanted for animal in asked.facts.alive)
    return f"{said} You can send us your photos in the meantime." if wanted else said


def _of_the_act(kind: str) -> Callable[[_Asked], str]:
    """What the email says that a person may send instead; of part of a piece there is none."""

    def say(asked: _Asked) -> str:
        facts, days = asked.facts, asked.days
        acts = acts_of(kind, facts, days.now)
        if not acts:
            return _how_long(asked)
        said = list(of_an_act(kind, acts[0], facts, days))
        return _text([*said, *(range_words.when(facts, days) if says_when(facts) else ())])

    return say


# ---------------------------------------------------------------- what is seldom asked, and hard


def _moving(asked: _Asked) -> str:
    facts = asked.facts
    if facts.received:
        return "Your order has already arrived, so there’s nothing we need to change for it."
    thanks = "Thank you for telling us."
    to = "Please write to us with your new address, and the day from which we should use it."
    if not any(copy.gone for copy in facts.copies):
        return f"{thanks} Nothing has left the workshop yet. {to}"
    if not facts.left:
        return f"{thanks} {_parcel(asked)} What has left went to the address we had then. {to}"
    if not any(parcel.way == "carrier" for parcel in facts.parcels):
        return f"{thanks} {_parcel(asked)}"
    return (
        f"{thanks} {_parcel(asked)} It went to the address we had then. We can’t redirect it from "
        "here, but the carrier may be able to. If it doesn’t reach you, write to us and we’ll look "
        "for it together."
    )


def _cancel(asked: _Asked) -> str:
    facts = asked.facts
    if facts.left:
        return (
            "Your order is finished and has left the workshop, so we can’t stop it any more. If "
            "something about it isn’t right, write and tell us what."
        )
    gone = any(copy.gone for copy in facts.copies)
    begun = any(copy.step in MAKING_STEPS for copy in facts.copies)
    if gone:
        now = "Part of your order has already left us. We can still stop the rest."
    elif begun:
        now = "We’ve already started the work by hand, but we can still stop it."
    elif any(PLACE[animal.model.step] >= PLACE[Step.FINISHING] for animal in facts.alive):
        now = "We’ve started on the model, but not on the work by hand, and we can still stop."
    else:
        now = "We haven’t started the work by hand yet, so we can still stop."
    which = "Please tell us whether you mean the whole order or only part of it."
    held = [copy.standing.hold_whose for copy in facts.copies]
    held += [animal.model.hold_whose for animal in facts.alive]
    pause = "If you’d rather wait than cancel, we can pause the work for as long as you like."
    if "customer" in held:
        pause = "The work is paused for you, and it can stay paused for as long as you like."
    if len(facts.copies) == 1 and not gone:
        which = "If that’s what you’d like, just tell us and we’ll stop."
    calm = "There’s no hurry to decide. " if facts.remembered else ""
    return f"{now} {calm}{which} {pause}"


def _damaged(asked: _Asked) -> str:
    facts = asked.facts
    if not any(copy.gone for copy in facts.copies):
        return (
            "Thank you for telling us. Nothing from this order has left the workshop yet, so we "
            "can still look at it with you. Please write and tell us what isn’t right."
        )
    steps = parcel_words.damage_steps(facts, asked.days)
    return (
        "Thank you for telling us. We’re sorry that something isn’t right with what we sent "
        "you.\n\n"
        + "\n".join(f"{number}. {line}" for number, line in enumerate(steps, 1))
        + "\n\nOnce we’ve seen the photos, we’ll write back about what we can do."
    )


def _where_is_it(asked: _Asked) -> str:
    links = [p.link for p in asked.facts.parcels if p.link and p.received_at is None]
    return "\n\n".join((_parcel(asked), *(f"You can follow it here:\n{link}" for link in links)))


def _parcel(asked: _Asked) -> str:
    facts = asked.facts
    said: list[str] = []
    for parcel in facts.parcels:
        number = f", and its number is {parcel.number}" if parcel.number else ""
        day = asked.days.on(parcel.sent_at)
        if parcel.received_at is not None:
            said.append(f"The parcel that left us {day} has arrived.")
        elif parcel.way == "carrier":
            said.append(f"The parcel left us {day} with {parcel.carrier}{number}.")
            said.append(parcel_words.usually(parcel, asked.days))
        else:
            said.append(f"The parcel left us {day}.")
    if not facts.left:
        rest = "The rest of your order hasn’t left the workshop yet."
        said.append(rest if said else "Your order hasn’t left the workshop yet.")
    return " ".join(filter(None, said))
