"""How the letters of an order read: what goes next, and every kind with this order's facts."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection

from app.flow.approvals.rules import BEFORE, MODEL_APPROVAL
from app.flow.news import CHANGED, OFF_THE_LIST, ON_THE_LIST
from app.flow.steps import ENDS, Step
from app.letters import rules, store, wording
from app.letters.forming import posting_of, teller_of
from app.letters.letter import Part
from app.letters.sentences import letter_of
from app.letters.wording import LetterWords
from app.orders.facts import ranges
from app.orders.facts.acts import BY_A_PERSON, acts_of
from app.orders.facts.cases import AFTERCARE, CaseFacts
from app.orders.facts.changed import ChangeFacts
from app.orders.facts.order import (
    AnimalFacts,
    CopyFacts,
    OrderFacts,
    ParcelFacts,
    QuestionFacts,
    Standing,
    ViewFacts,
    WaitFacts,
)
from app.status.document import Block, Section
from app.studio.workshop import InForce

TONES = ("plain", "gift", "remembered")
_SAMPLE_ID = 0
_SAMPLE_PARCEL = ParcelFacts(_SAMPLE_ID, "carrier", "(the carrier)", "(its number)", 0)


def words_of(
    parts: Sequence[Part], facts: OrderFacts, in_force: InForce, now: int, link: str | None
) -> LetterWords:
    """A letter as it would read if it were formed now."""
    letter = letter_of(parts, facts, teller_of(in_force), now)
    return wording.words_of(letter, wording.subject(parts, facts), link)


def next_letter(
    db: Connection, facts: OrderFacts, in_force: InForce, link: str | None, now: int
) -> LetterWords | None:
    """What waits, as it would read now; None where nothing waits."""
    waiting = store.pending_of(db, [facts.id]).get(facts.id, [])
    if not waiting:
        return None
    gone = store.gone_of(db, [facts.id])[facts.id]
    plan = rules.plan(waiting, facts, gone, posting_of(in_force), now, at_once=True)
    return words_of(plan.parts, facts, in_force, now, link) if plan.parts else None


def preview(
    order: OrderFacts, kind: str, tone: str, in_force: InForce, now: int, link: str | None
) -> LetterWords:
    """A letter of one kind as it would read for this order, in its own tone or another.

    `tone` is "own" or one of TONES. What the order does not have yet stands in brackets.
    """
    part, facts = as_if(kind, in_another_tone(order, tone), now)
    return words_of([part], facts, in_force, now, link)


def trial(kind: str, to_name: str, in_force: InForce, now: int) -> LetterWords:
    """A letter to oneself: an example of a kind, which says first that it is a test."""
    part, facts = as_if(kind, replace(sample_order(now), address_as=to_name), now)
    letter = letter_of([part], facts, teller_of(in_force), now)
    said = (
        f"This is a test, and no customer gets it. It shows how an email of the kind "
        f"“{wording.CALLED[kind]}” reads, with a made-up order."
    )
    letter = replace(letter, sections=(Section("", (Block("text", (said,)),)), *letter.sections))
    return wording.words_of(letter, f"Test: {wording.subject([part], facts)}", None)


def sample_order(now: int) -> OrderFacts:
    """An order that is made up: one animal, one copy, taken in at a moment (UTC seconds)."""
    copy = CopyFacts(
        "1147-A1", "A", 1, Standing(Step.NOT_BEGUN, now), size_mm=100, pose="standing", base="oak"
    )
    animal = AnimalFacts(
        "A", "Juniper", "horse", "female", "living", Standing(Step.PHOTOS_WANTED, now),
        copies=(copy,),
    )  # fmt: skip
    return OrderFacts(
        id=0, number=1147, address_as="Imre Castellan", taken_at=now, open=True, imported=False,
        gift=False, gift_day=None, needed_by=None, ship_part=False, copy_deadline=None,
        animals=(animal,), parcels=(), questions=(), last_news_at=now, last_change_at=now,
        steps_seen=0, weeks=ranges.from_passing(blank_on=True),
    )  # fmt: skip


def in_another_tone(facts: OrderFacts, tone: str) -> OrderFacts:
    """The order as if it were plain, a gift, or of animals that are no longer alive."""
    if tone == "own":
        return facts
    life = "remembered" if tone == "remembered" else "living"
    animals = tuple(replace(animal, life=life) for animal in facts.animals)
    return replace(facts, gift=tone == "gift", animals=animals)


def as_if(kind: str, facts: OrderFacts, now: int) -> tuple[Part, OrderFacts]:
    """The order as if it stood where a letter of a kind is written, and the letter's part."""
    if kind in (ON_THE_LIST, OFF_THE_LIST):
        return _listed(kind, facts, now)
    if facts.waits is not None:
        facts = replace(facts, waits=None, open=True)
    if kind in ("question", "approval_reminder"):
        topic = MODEL_APPROVAL if kind == "approval_reminder" else ""
        said = "(the words of the question)"
        sample = QuestionFacts(topic, True, None, "letter", id=_SAMPLE_ID, asked=said)
        found = tuple(q for q in facts.questions if not topic or q.topic in BEFORE) or (sample,)
        number = found[-1].id if kind == "question" else 10 * found[-1].id + 1
        return Part(kind, round=number), replace(facts, questions=found)
    if kind in ("handed_over", "received"):
        return _parcel(kind, facts, now)
    if kind == AFTERCARE:
        return _aftercare(facts, now)
    if kind in BY_A_PERSON:
        if acts := acts_of(kind, facts, now):
            return Part(kind, round=acts[0]), facts
        if kind == "number_corrected":
            return _corrected(facts, now)
        return Part(kind, round=_SAMPLE_ID), _of_a_sample_act(kind, facts)
    if kind == CHANGED:
        return _changed(facts)
    change = _AT.get(kind)
    if change is None:
        return Part(kind), facts
    return Part(kind), replace(facts, animals=tuple(map(change, facts.alive)))


def _listed(kind: str, facts: OrderFacts, now: int) -> tuple[Part, OrderFacts]:
    """The order as if it were on the waiting list, or had been struck off it."""
    in_five_weeks = datetime.fromtimestamp(now, UTC).date() + timedelta(weeks=5)
    waits = facts.waits or WaitFacts(now, in_five_weeks - timedelta(days=in_five_weeks.weekday()))
    waits = replace(waits, off=kind == OFF_THE_LIST)
    return Part(kind, round=waits.round), replace(facts, open=False, waits=waits)


def _aftercare(facts: OrderFacts, now: int) -> tuple[Part, OrderFacts]:
    """The order with its newest case, or as if its parcel had been lost."""
    if facts.cases:
        return Part(AFTERCARE, round=facts.cases[-1].round), facts
    _, sent = _parcel("handed_over", facts, now)
    [parcel] = sent.parcels
    letters = tuple(a.letter for a in sent.animals if a.shown_in) or ("A",)
    case = CaseFacts(
        _SAMPLE_ID, "lost", "carrier", letters, now, carrier=parcel.carrier, number=parcel.number,
        sent_at=parcel.sent_at, parcel_id=parcel.id,
    )  # fmt: skip
    return Part(AFTERCARE, round=case.round), replace(sent, cases=(case,))


def _changed(facts: OrderFacts) -> tuple[Part, OrderFacts]:
    """The order as if its first copy had been changed, unless something was."""
    if facts.changes:
        return Part(CHANGED, round=facts.changes[0].id), facts
    first = next((copy.code for animal in facts.alive for copy in animal.made), "")
    sample = ChangeFacts(_SAMPLE_ID, first, "pose", "(the pose before)", "", by_customer=True)
    return Part(CHANGED, round=_SAMPLE_ID), replace(facts, changes=(sample,))


def _at(animal: AnimalFacts, step: Step) -> AnimalFacts:
    return replace(animal, model=replace(animal.model, step=step, hold_whose=""), told_at=None)


def _of_a_sample_act(kind: str, facts: OrderFacts) -> OrderFacts:
    """The order as if all of it had been cancelled or held, or a copy of each were made again."""

    def there(standing: Standing) -> Standing:
        if kind == "cancelled":
            return replace(standing, step=Step.CANCELLED, hold_whose="", act=_SAMPLE_ID)
        return replace(standing, hold_whose=standing.hold_whose or "studio", act=_SAMPLE_ID)

    def changed(copy: CopyFacts) -> CopyFacts:
        # What has left the house is as if it were still being made.
        standing = replace(copy.standing, step=Step.SHAPING) if copy.gone else copy.standing
        if kind == "made_again":
            return replace(copy, standing=standing, remade_by=_SAMPLE_ID, case="")
        return replace(copy, standing=there(standing))

    def of(animal: AnimalFacts) -> AnimalFacts:
        some = animal.made[:1] if kind == "made_again" else animal.made
        copies = tuple(changed(copy) if copy in some else copy for copy in animal.copies)
        ended = kind == "made_again" or (kind == "on_hold" and animal.model.step in ENDS)
        return replace(animal, model=animal.model if ended else there(animal.model), copies=copies)

    animals = (animal if animal.cancelled else of(animal) for animal in facts.animals)
    return replace(facts, animals=tuple(animals))


def _wanted(animal: AnimalFacts) -> AnimalFacts:
    return replace(_at(animal, Step.PHOTOS_WANTED), attempts=0, counted_at=None, passed_at=None)


def _views(animal: AnimalFacts) -> AnimalFacts:
    samples = (ViewFacts(1, "(the first view you ask for)"), ViewFacts(2, "(the second)"))
    again = replace(_at(animal, Step.PHOTOS_WANTED), attempts=max(1, animal.attempts))
    return replace(again, views=animal.views or samples)


def _begun(animal: AnimalFacts) -> AnimalFacts:
    copies = tuple(
        replace(copy, standing=replace(copy.standing, step=Step.SHAPING))
        if copy.step is Step.NOT_BEGUN
        else copy
        for copy in animal.copies
    )
    return replace(_at(animal, Step.READY), copies=copies)


_AT: dict[str, Callable[[AnimalFacts], AnimalFacts]] = {
    "order_in": _wanted,
    "photo_reminder": _wanted,
    "more_views": _views,
    "photos_counted": lambda animal: _at(animal, Step.PHOTOS_IN),
    "photos_passed": lambda animal: _at(animal, Step.FINISHING),
    "last_call": lambda animal: _at(animal, Step.FINISHING),
    "making_begun": _begun,
}


def _parcel(kind: str, facts: OrderFacts, now: int) -> tuple[Part, OrderFacts]:
    """The order with its last parcel, or with all of it in one."""
    parcel = facts.parcels[-1] if facts.parcels else replace(_SAMPLE_PARCEL, sent_at=now)
    step = Step.RECEIVED if kind == "received" else Step.HANDED_OVER
    if kind == "received":
        parcel = replace(parcel, received_at=parcel.received_at or now)

    def moved(copy: CopyFacts) -> CopyFacts:
        travels = copy.parcel_id == parcel.id or not facts.parcels
        if not travels or copy.step is Step.CANCELLED:
            return copy
        return replace(copy, standing=replace(copy.standing, step=step), parcel_id=parcel.id)

    animals = tuple(replace(a, copies=tuple(map(moved, a.copies))) for a in facts.animals)
    return Part(kind, round=parcel.id), replace(facts, animals=animals, parcels=(parcel,))


def _corrected(facts: OrderFacts, now: int) -> tuple[Part, OrderFacts]:
    """The order on its way, as if the number of its last parcel had been put right."""
    _, sent = _parcel("handed_over", facts, now)
    parcels = tuple(
        replace(
            _SAMPLE_PARCEL if parcel.way != "carrier" else parcel,
            id=parcel.id, sent_at=parcel.sent_at, corrected_at=_SAMPLE_ID, received_at=None,
        )
        for parcel in sent.parcels
    )  # fmt: skip
    return Part("number_corrected", round=_SAMPLE_ID), replace(sent, parcels=parcels)


def kinds() -> Sequence[tuple[str, str]]:
    """Every kind of letter with its words for the staff, in the order in which they come."""
    return tuple(wording.CALLED.items())
