"""From an order's facts to what its letters are worded from: the same facts as its page has."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date

from sqlalchemy import Connection, bindparam, text

from app.flow.steps import MAKING_STEPS, MoveKey, Step
from app.letters.facts import AnimalFacts, Chapter, LetterFacts, ParcelFacts, Passage, QuestionFacts
from app.orders.facts import order as order_facts
from app.orders.facts import ranges
from app.orders.facts.gather import facts_of_many
from app.orders.facts.order import OrderFacts, decision_on
from app.shared.calendar import Calendar
from app.shared.web import words
from app.status import parcel_words, photo_words, piece_words, range_words
from app.status.document import Block, Section
from app.status.voice import Days, voice
from app.studio.rules import StudioSettings
from app.studio.workshop import InForce

_AT_MACHINES = (Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING)
_MADE = frozenset({*MAKING_STEPS, Step.HANDED_OVER, Step.RECEIVED})
_GONE = frozenset({Step.HANDED_OVER, Step.RECEIVED})
_QUESTIONS = text(
    "SELECT id, order_id, asked, blocking FROM questions WHERE order_id IN :ids"
    " AND channel = 'letter' AND answered_at IS NULL AND dropped = 0 ORDER BY id"
).bindparams(bindparam("ids", expanding=True))


def letter_facts(
    db: Connection, order_ids: Sequence[int], in_force: InForce, now: int
) -> dict[int, LetterFacts]:
    """What the letters of some orders are worded from, by their ids."""
    asked: dict[int, list[QuestionFacts]] = {}
    for row in db.execute(_QUESTIONS, {"ids": list(order_ids)}):
        question = QuestionFacts(row.id, row.asked, bool(row.blocking))
        asked.setdefault(row.order_id, []).append(question)
    return {
        order_id: from_order(facts, in_force, now, asked.get(order_id, ()))
        for order_id, facts in facts_of_many(db, order_ids, in_force, now).items()
    }


def from_order(
    facts: OrderFacts, in_force: InForce, now: int, questions: Sequence[QuestionFacts] = ()
) -> LetterFacts:
    """What the letters of one order are worded from, days said as on this day."""
    calendar, settings = in_force.calendar, in_force.settings
    days = Days(calendar, now)
    animals = tuple(_animal(animal) for animal in facts.alive)
    facts = replace(facts, shown=shown_range(facts, calendar, days.today))
    first = [a for a in facts.alive if _wanted(a) and not a.attempts]
    arrived = any(parcel.received_at is not None for parcel in facts.parcels)
    says_when = _says_when(facts)
    return LetterFacts(
        number=facts.number,
        name=facts.address_as,
        studio=settings.name,
        contact=_contact(settings),
        gift=facts.gift,
        animals=animals,
        how_to=how_to(first),
        parcels=tuple(_parcel(parcel, facts, calendar, days.today) for parcel in facts.parcels),
        questions=tuple(questions),
        all_passed=bool(animals) and facts.passed,
        all_left=facts.left,
        ship_part=facts.ship_part,
        when=_passages(range_words.when(facts, days)) if says_when else (),
        says_when=says_when,
        care=chapters(parcel_words.care(facts, days)) if arrived else (),
        deadline=_deadline(facts.copy_deadline, days.today),
    )


def _says_when(facts: OrderFacts) -> bool:
    """Whether there are days to speak of; while they are being worked out there are none."""
    waits = facts.open and bool(facts.alive) and not facts.left
    return waits and (not facts.passed or facts.shown is not None)


def _contact(settings: StudioSettings) -> str:
    phone = settings.contact_phone
    if phone and settings.contact_hours:
        phone += f" on {settings.contact_hours}"
    ways = [way for way in (settings.contact_mail, phone) if way]
    return f"{', or '.join(ways)}." if ways else ""


def _wanted(animal: order_facts.AnimalFacts) -> bool:
    """Whether its photographs are asked for, and nobody has told us of any."""
    asked = animal.model.step is Step.PHOTOS_WANTED and animal.told_at is None
    return asked and not animal.model.held


def _animal(animal: order_facts.AnimalFacts) -> AnimalFacts:
    said = voice(animal)
    copies = [copy for copy in animal.copies if copy.step is not Step.CANCELLED]
    return AnimalFacts(
        letter=animal.letter,
        name=animal.name,
        he=said.he,
        him=said.him,
        his=said.his,
        remembered=animal.remembered,
        copies=len(copies),
        pictures=animal.pictures,
        attempts=animal.attempts,
        wanted=_wanted(animal),
        counted=animal.model.step in _AT_MACHINES,
        passed=animal.passed,
        begun=any(copy.step in _MADE for copy in copies),
        left=bool(copies) and all(copy.step in _GONE for copy in copies),
        finishing=animal.model.step is Step.FINISHING,
        views=tuple(v.wish for v in sorted(animal.views, key=lambda view: view.number)),
        by_eye=animal.outcome == MoveKey.BY_EYE,
        limits=animal.limits.strip(),
        limits_agreed=animal.limits_agreed,
    )


def how_to(animals: Sequence[order_facts.AnimalFacts]) -> tuple[Chapter, ...]:
    """How to photograph some animals: the living together, each remembered one for itself.

    They are kept apart, so that a reminder of one asks nothing of another.
    """
    living = [animal for animal in animals if not animal.remembered]
    groups = [living, *([animal] for animal in animals if animal.remembered)]
    return tuple(
        replace(chapter, letters=tuple(animal.letter for animal in group))
        for group in groups
        if group
        for chapter in chapters(photo_words.how_to(group))
    )


def chapters(sections: Iterable[Section]) -> tuple[Chapter, ...]:
    """Sections of a status page as chapters of a letter."""
    return tuple(Chapter(section.heading, _passages(section.blocks)) for section in sections)


def _passages(blocks: Iterable[Block]) -> tuple[Passage, ...]:
    return tuple(Passage(block.kind, block.lines) for block in blocks)


def _parcel(
    parcel: order_facts.ParcelFacts, facts: OrderFacts, calendar: Calendar, today: date
) -> ParcelFacts:
    inside = [copy for copy in facts.copies if copy.parcel_id == parcel.id]
    arrived = parcel.received_at
    return ParcelFacts(
        id=parcel.id,
        way=parcel.way,
        carrier=parcel.carrier,
        number=parcel.number,
        sent=_named(calendar.day_of(parcel.sent_at), today),
        inside=tuple(piece_words.inside(facts, parcel.id)),
        received=_named(calendar.day_of(arrived), today) if arrived is not None else "",
        assumed=bool(inside) and all(copy.received_assumed for copy in inside),
    )


def _named(day: date, today: date) -> str:
    """Wednesday 25 November: a letter is read on another day than it is written."""
    return f"{words.weekday(day)} {words.day(day, today)}"


def _deadline(day: date | None, today: date) -> str:
    return _named(day, today) if day is not None and day >= today else ""


def shown_range(facts: OrderFacts, calendar: Calendar, today: date) -> ranges.Shown | None:
    """The range that the order's page shows on this day, if it shows one."""
    return decision_on(facts, calendar, today).shown


def in_another_tone(facts: OrderFacts, tone: str) -> OrderFacts:
    """The order as if it were plain, a gift, or of animals that are no longer alive."""
    life = "remembered" if tone == "remembered" else "living"
    animals = tuple(replace(animal, life=life) for animal in facts.animals)
    return replace(facts, gift=tone == "gift", animals=animals)
