"""How the letters of an order read: what goes next, and every kind with this order's facts."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection, insert, text

from app.flow import news_rows as news
from app.flow.store import mark_stale
from app.letters import rules, store, wording
from app.letters.asking import Asked
from app.letters.facts import AnimalFacts, LetterFacts, ParcelFacts, Part, QuestionFacts
from app.letters.from_order import chapters, from_order, how_to, in_another_tone
from app.letters.rules import Posting
from app.letters.wording import Words
from app.orders.facts import ranges
from app.orders.facts import told as tellings
from app.orders.facts.gather import facts_of
from app.orders.facts.order import OrderFacts
from app.orders.facts.ranges import Shown
from app.shared.errors import AlreadyMoved, Refused
from app.shared.people import Person
from app.status import parcel_words
from app.status.voice import Days
from app.studio.workshop import InForce, Workshop
from app.tables import changes

TONES = ("plain", "gift", "remembered")
_SAMPLE_ID = 0


@dataclass(frozen=True, slots=True)
class Next:
    """The letter that would go if all of an order's news went now."""

    words: Words
    parts: tuple[Part, ...]


def next_letter(
    db: Connection, order_id: int, asked: Asked, posting: Posting, link: str | None, now: int
) -> Next | None:
    """What waits, as it would read now; None where nothing waits."""
    waiting = store.pending_of(db, [order_id]).get(order_id, [])
    if not waiting:
        return None
    facts = asked(db, [order_id])[order_id]
    gone = store.gone_of(db, [order_id])[order_id]
    plan = rules.plan(waiting, facts, gone, posting, now, at_once=True)
    return Next(wording.words_of(plan.parts, facts, link), plan.parts) if plan.parts else None


def preview(
    order: OrderFacts, kind: str, tone: str, in_force: InForce, now: int, link: str | None
) -> Words:
    """A letter of one kind as it would read for this order, in its own tone or another.

    `tone` is "own" or one of TONES. What the order does not have yet stands in brackets.
    """
    if tone != "own":
        order = in_another_tone(order, tone)
    part, facts = _as_if(
        kind, order, from_order(order, in_force, now), Days(in_force.calendar, now)
    )
    return wording.words_of([part], facts, link)


def _as_if(
    kind: str, order: OrderFacts, facts: LetterFacts, days: Days
) -> tuple[Part, LetterFacts]:
    match kind:
        case "order_in" | "photo_reminder":
            wanted = tuple(replace(a, wanted=True, attempts=0) for a in facts.animals)
            return Part(kind), replace(facts, animals=wanted, how_to=how_to(order.alive))
        case "more_views":
            return Part(kind), replace(facts, animals=tuple(map(_asked, facts.animals)))
        case "last_call":
            finishing = tuple(replace(a, finishing=True) for a in facts.animals)
            return Part(kind), replace(facts, animals=finishing)
        case "question":
            return Part(kind, round=_question(facts)), _with_question(facts)
        case "handed_over" | "received":
            return _parcel(kind, order, facts, days)
    return Part(kind), facts


def _asked(animal: AnimalFacts) -> AnimalFacts:
    views = animal.views or ("(the first view that is asked for)", "(the second)")
    return replace(animal, wanted=True, views=views)


def _question(facts: LetterFacts) -> int:
    return facts.questions[-1].id if facts.questions else _SAMPLE_ID


def _with_question(facts: LetterFacts) -> LetterFacts:
    sample = QuestionFacts(_SAMPLE_ID, "(the words of the question)", blocking=True)
    return facts if facts.questions else replace(facts, questions=(sample,))


def _parcel(
    kind: str, order: OrderFacts, facts: LetterFacts, days: Days
) -> tuple[Part, LetterFacts]:
    sample = ParcelFacts(_SAMPLE_ID, "carrier", "(the carrier)", "(its number)", "(the day)")
    parcel = facts.parcels[-1] if facts.parcels else sample
    if kind == "received":
        parcel = replace(parcel, received=parcel.received or "(the day)")
    care = chapters(parcel_words.care(order, days)) if order.copies else ()
    return Part(kind, round=parcel.id), replace(facts, parcels=(parcel,), care=care)


# ---------------------------------------------------------------- a person's yes


_ROUND = text("SELECT count(*) + 1 FROM news WHERE order_id = :id AND kind = 'running_later'")
_WAITS = text(
    "SELECT 1 FROM news WHERE order_id = :id AND kind = 'running_later'"
    " AND told_at IS NULL AND taken_back_at IS NULL"
)


def new_days(facts: OrderFacts, in_force: InForce, now: int) -> Shown | None:
    """The days that a letter about running later would name; None where none are computed."""
    if facts.computed is None or not facts.open or facts.left:
        return None
    today = in_force.calendar.day_of(now)
    first, last = ranges.days_of(facts.computed, today, in_force.calendar)
    return Shown(first, last, None, facts.computed.basis)


def tell_running_later(workshop: Workshop, order_id: int, who: Person) -> None:
    """A person's yes: the new days are told from now on, and the next letter says so.

    Raises Refused where no days are computed, AlreadyMoved where it was said already.
    """
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.writing() as db:
        facts = facts_of(db, order_id, in_force, now)
        shown = new_days(facts, in_force, now)
        if shown is None:
            raise Refused("There are no new days to tell yet. Try again when they are computed.")
        if db.execute(_WAITS, {"id": order_id}).first() is not None:
            raise AlreadyMoved("That letter waits already.")
        tellings.tell(db, facts, shown, channel="letter", account_id=who.account_id, now=now)
        round_ = int(db.execute(_ROUND, {"id": order_id}).scalar_one())
        news.write(db, order_id, "running_later", now, round_=round_)
        mark_stale(db, [order_id])
        db.execute(
            insert(changes).values(
                at=now, account_id=who.account_id, of="letters", order_id=order_id,
                field="letter", after="running later told",
            )
        )  # fmt: skip
    workshop.changed.set()


def kinds() -> Sequence[tuple[str, str]]:
    """Every kind of letter with its words for the staff, in the order in which they come."""
    return tuple(wording.CALLED.items())
