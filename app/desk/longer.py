"""It takes longer: told to one customer or to many with one cause, and what they say to it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import AfterValidator
from sqlalchemy import Connection, func, select, text, update

from app.flow import news_rows as news
from app.flow.store import mark_stale
from app.letters import previews, store
from app.letters.letter import Part
from app.letters.own_words import own_line
from app.letters.wording import LetterWords
from app.orders.facts import told as tellings
from app.orders.facts.gather import facts_of_many
from app.orders.facts.order import OrderFacts
from app.orders.facts.ranges import Shown, ToldRange
from app.orders.facts.standing import decision
from app.orders.facts.to_tell import new_days
from app.shared.errors import NotFound, Refused
from app.shared.people import Person
from app.shared.web.fields import Channel, Fields, Words
from app.studio.workshop import InForce, Workshop
from app.tables import news as news_table
from app.tables import tellings as tellings_table

# What a person adds to a letter, in a sentence or two that customers read.
OwnLine = Annotated[Words, AfterValidator(own_line)]
Said = Literal["none", "waits", "cancels"]
KIND = "running_later"
# How many are told at once, at most.
MOST = 100
# The newest telling of every open order that asked whether the customer waits.
_ASKED = text(
    "SELECT o.number, c.name AS customer, c.phone, t.at, t.from_day, t.to_day, t.cause, t.answer"
    " FROM tellings t JOIN orders o ON o.id = t.order_id JOIN customers c ON c.id = o.customer_id"
    " WHERE o.open = 1 AND t.id = (SELECT max(id) FROM tellings"
    " WHERE order_id = o.id AND answer IS NOT NULL)"
    " ORDER BY t.answer = 'waits', t.answer = 'none', t.at, o.number"
)


class LongerFields(Fields):
    """Why it takes longer, in a sentence or two that customers read. May be left out."""

    cause: OwnLine


class LateAnswerFields(Fields):
    """What a customer says to it, and by which way."""

    answer: Said
    channel: Channel = "phone"


def letter(
    facts: OrderFacts, cause: str, in_force: InForce, now: int, link: str | None
) -> LetterWords:
    """The letter as it would go now, with the new days and the cause."""
    said = replace(with_new_days(facts, in_force, now), cause=cause)
    return previews.words_of([Part(KIND)], said, in_force, now, link)


def with_new_days(facts: OrderFacts, in_force: InForce, now: int) -> OrderFacts:
    """The order as it stands once the days computed now were told; as it is without such days."""
    days = new_days(facts, in_force, now)
    if days is None:
        return facts
    told = ToldRange(
        now, days.from_day, days.to_day, None, days.basis, facts.steps_seen,
        facts.told.promised if facts.told else None,
    )  # fmt: skip
    return replace(facts, shown=days, told=told, runs_over=False, later_since=None)


def asked(db: Connection) -> Sequence[Any]:
    """The open orders whose customers were told that it takes longer, with what they said: those
    who cancel first, those who wait last."""
    return db.execute(_ASKED).all()


def tell(workshop: Workshop, order_ids: Iterable[int], cause: str, who: Person) -> int:
    """A person's yes for some orders: the new days are told from now on, and the next letter of
    each says so. All in one transaction, or none.

    Gives how many. Raises Refused, naming each order that cannot be told and why.
    """
    in_force, now = workshop.in_force(), workshop.now()
    ids = list(dict.fromkeys(order_ids))
    if not ids:
        raise Refused("Tick at least one order.")
    with workshop.database.writing() as db:
        found, waiting = facts_of_many(db, ids, in_force, now), store.pending_of(db, ids)
        shown = {id_: new_days(facts, in_force, now) for id_, facts in found.items()}
        wrong = [
            f"Order {facts.number}: {why}"
            for id_, facts in found.items()
            if (why := _obstacle(facts, shown[id_], waiting.get(id_, ())))
        ]
        if wrong:
            raise Refused(" ".join(wrong))
        for id_, days in shown.items():
            assert days is not None
            _tell_one(db, id_, days, cause, who, now)
        mark_stale(db, ids)
    workshop.changed.set()
    return len(ids)


def _obstacle(facts: OrderFacts, days: Shown | None, waiting: Iterable[Any]) -> str:
    if not facts.open:
        return "This order is closed."
    if days is None:
        return "There are no new dates yet. Try again once they are worked out."
    return "That email already waits to go out." if any(one.kind == KIND for one in waiting) else ""


def _tell_one(
    db: Connection, order_id: int, days: Shown, cause: str, who: Person, now: int
) -> None:
    tellings.tell(
        db, order_id, days, channel="letter", account_id=who.account_id, now=now, cause=cause,
        answer="none",
    )  # fmt: skip
    before = select(func.count()).where(
        news_table.c.order_id == order_id, news_table.c.kind == KIND
    )
    news.write(db, order_id, KIND, now, round_=1 + int(db.execute(before).scalar_one()))
    store.note(db, who, now, order_id, 0, "told it takes longer")


def note_answer(workshop: Workshop, order_id: int, typed: LateAnswerFields, who: Person) -> None:
    """Keep what a customer says to its taking longer.

    Who waits and was not told the new days by a letter has heard them with the question: they are
    told from now on, and the order is asked about again only when they move once more. Raises
    NotFound where no range was told yet.
    """
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.writing() as db:
        facts = facts_of_many(db, [order_id], in_force, now).get(order_id)
        if facts is None or facts.told is None:
            raise NotFound("This customer has not been given new dates yet.")
        days = new_days(facts, in_force, now)
        late = decision(facts, in_force.calendar, now).tell_them
        if typed.answer == "waits" and late and days is not None:
            tellings.tell(
                db, order_id, days, channel=typed.channel, account_id=who.account_id, now=now,
                cause=facts.cause, answer="waits",
            )  # fmt: skip
        else:
            _answered(db, order_id, typed.answer)
        store.note(db, who, now, order_id, 0, f"it takes longer: {SAID[typed.answer]}")
        mark_stale(db, [order_id])
    workshop.changed.set()


SAID: Mapping[Said, str] = {
    "none": "no answer yet", "waits": "the customer waits", "cancels": "the customer cancels",
}  # fmt: skip


def _answered(db: Connection, order_id: int, answer: Said) -> None:
    """Keep the answer with the telling that asked, or else with the newest."""
    own = tellings_table.c.order_id == order_id
    ranked = select(tellings_table.c.id).where(own)
    newest = ranked.order_by(
        tellings_table.c.answer.is_(None), tellings_table.c.at.desc(), tellings_table.c.id.desc()
    ).limit(1)
    db.execute(
        update(tellings_table)
        .where(tellings_table.c.id == newest.scalar_subquery())
        .values(answer=answer)
    )
