"""Letters and news as the staff's pages show them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, exists, func, or_, select
from sqlalchemy.engine import Row

from app.flow.steps import Step
from app.letters import rules, store, wording
from app.letters.forming import posting_of
from app.letters.letter import WordedLetter, letter_from_json, parts_from_json
from app.letters.sentences import held_of
from app.orders.facts.acts import BY_A_PERSON, acts_of, touched
from app.orders.facts.gather import bare_facts, facts_of_many
from app.shared.errors import NotFound
from app.shared.web import words
from app.status.voice import named
from app.studio.workshop import InForce
from app.tables import animals, copies, customers, models, news, order_animals, orders, questions
from app.tables import letters as letters_table

PAGE = 50
FEW = 200
OF_AN_ORDER = 60
# The lists of the Letters page: what each is called in its address, and what is in it.
STATES = {
    "waits": ("waiting", "sending"),
    "held": ("held",),
    "dead": ("dead",),
    "went": ("sent",),
    "dropped": ("dropped",),
}
_L = letters_table.c
_LINES = select(
    *(_L.id, _L.order_id, _L.state, _L.kind, _L.parts, _L.subject, _L.recipient, _L.formed_at),
    *(_L.next_at, _L.sent_at, _L.tries, _L.why, (_L.facts != "").label("readable")),
).order_by(_L.id.desc())


# Of an order or an animal of which every copy was cancelled nothing is told, and no question is
# asked that nobody waits for any more; an undo brings it back.
_OF_IT = exists().where(
    copies.c.order_id == orders.c.id, or_(news.c.letter == "", copies.c.letter == news.c.letter)
)
_LEFT = _OF_IT.where(copies.c.withdrawn == 0, copies.c.step.not_in((Step.CANCELLED, Step.REPLACED)))
_CANCELLED = _OF_IT & ~_LEFT
_OPEN = exists().where(questions.c.id == news.c.round, questions.c.answered_at.is_(None))
_STILL_ASKED = or_(news.c.kind != "question", _OPEN)


def _letters() -> Select[Any]:
    """The letters with the numbers of their orders and whose they are, the newest first."""
    return (
        _LINES.add_columns(orders.c.number, customers.c.name.label("customer"))
        .join(orders, orders.c.id == _L.order_id)
        .join(customers, customers.c.id == orders.c.customer_id)
    )


def _untold(order_id: int | None = None) -> Select[Any]:
    """The news that no letter has told, of all orders or of one, the oldest first."""
    query = (
        select(
            *(news.c.id, news.c.order_id, news.c.kind, news.c.round, news.c.at, news.c.held_at),
            *(news.c.held_why, orders.c.number, customers.c.name.label("customer")),
            animals.c.name.label("animal"),
        )
        .select_from(news)
        .join(orders, orders.c.id == news.c.order_id)
        .join(customers, customers.c.id == orders.c.customer_id)
        .outerjoin(
            order_animals,
            (order_animals.c.order_id == news.c.order_id)
            & (order_animals.c.letter == news.c.letter),
        )
        .outerjoin(animals, animals.c.id == order_animals.c.animal_id)
        .where(store.TO_TELL, or_(~_CANCELLED, news.c.kind == "cancelled"), _STILL_ASKED)
        .order_by(news.c.at, news.c.id)
        .limit(FEW)
    )
    return query if order_id is None else query.where(news.c.order_id == order_id)


@dataclass(frozen=True, slots=True)
class LetterLine:
    """A letter in a list. `about` is what it tells, in words for the staff."""

    id: int
    state: str
    about: str
    subject: str
    recipient: str
    formed_at: int
    next_at: int
    sent_at: int | None
    tries: int
    why: str
    readable: bool
    number: int
    customer: str = ""


@dataclass(frozen=True, slots=True)
class NewsLine:
    """News that waits for its letter."""

    id: int
    about: str
    at: int
    held_why: str


@dataclass(frozen=True, slots=True)
class WaitingNews:
    """An order's news that waits: when its letter goes by itself (None: with the next one)."""

    order_id: int
    number: int
    customer: str
    news: tuple[NewsLine, ...]
    goes_at: int | None

    @property
    def held(self) -> bool:
        """Whether all of it waits for a person."""
        return all(one.held_why for one in self.news)

    @property
    def some_held(self) -> bool:
        """Whether some of it does."""
        return any(one.held_why for one in self.news)


@dataclass(frozen=True, slots=True)
class ToWrite:
    """An act that its customer has not been told of: only a person writes about it."""

    kind: str
    act: int
    about: str


@dataclass(frozen=True, slots=True)
class OrderLetters:
    """What an order's customer has been written, and what waits."""

    news: tuple[NewsLine, ...]
    letters: tuple[LetterLine, ...]


@dataclass(frozen=True, slots=True)
class KeptLetter:
    """One letter, to be read; `letter` is None where its words were not kept."""

    line: LetterLine
    order_id: int
    letter: WordedLetter | None


def page_of(db: Connection, which: str, page: int) -> list[LetterLine]:
    """A page of one of the lists, the newest first; one more than PAGE where there is another."""
    query = _letters().where(_L.state.in_(STATES[which])).limit(PAGE + 1).offset(page * PAGE)
    return [_line(row) for row in db.execute(query)]


def counts(db: Connection) -> dict[str, int]:
    """How many letters are in each of the lists."""
    query = select(_L.state, func.count().label("n")).group_by(_L.state)
    by_state = {row.state: row.n for row in db.execute(query)}
    return {name: sum(by_state.get(s, 0) for s in states) for name, states in STATES.items()}


def waiting(
    db: Connection, in_force: InForce, now: int, order_id: int | None = None
) -> list[WaitingNews]:
    """The orders whose news waits for a letter, what goes soonest first; or one of them."""
    by_order: dict[int, list[Row[Any]]] = {}
    for row in db.execute(_untold(order_id)):
        by_order.setdefault(row.order_id, []).append(row)
    ids = list(by_order)
    if not ids:
        return []
    facts, gone = facts_of_many(db, ids, in_force, now), store.gone_of(db, ids)
    pending, posting = store.pending_of(db, ids), posting_of(in_force)
    found = [
        WaitingNews(
            id_, group[0].number, group[0].customer, tuple(_news(row) for row in group),
            rules.goes_at(pending.get(id_, ()), facts[id_], gone[id_], posting, now),
        )
        for id_, group in by_order.items()
    ]  # fmt: skip
    return sorted(found, key=lambda one: (one.goes_at is None, one.goes_at or 0, one.number))


def letters_of(db: Connection, order_id: int) -> OrderLetters:
    """What waits for an order's customer, and what was written so far, the newest first."""
    letters = db.execute(_letters().where(_L.order_id == order_id).limit(OF_AN_ORDER))
    lines = tuple(_line(row, of_order=True) for row in letters)
    waits = tuple(map(_news, db.execute(_untold(order_id))))
    return OrderLetters(waits, lines)


def to_write(db: Connection, order_id: int, now: int) -> Iterator[ToWrite]:
    """The acts of which an order's customer has not been told."""
    facts, told = bare_facts(db, order_id), store.acts_told(db, order_id)
    for kind in BY_A_PERSON:
        for act in acts_of(kind, facts, now):
            if (kind, act) not in told:
                found = touched(kind, act, facts)
                whose = [
                    str(them)
                    for one in found
                    for them in (
                        held_of(one) if kind == "on_hold" else (named(one.animal, one.copies),)
                    )
                ]
                yield ToWrite(kind, act, f"{wording.CALLED[kind]}: {words.listed(whose)}")


def one(db: Connection, letter_id: int) -> KeptLetter:
    """One letter. Raises NotFound."""
    row = db.execute(_letters().add_columns(_L.facts).where(_L.id == letter_id)).first()
    if row is None:
        raise NotFound("There is no such email.")
    parts = parts_from_json(row.parts)
    letter = letter_from_json(row.facts, parts) if row.facts and parts else None
    return KeptLetter(_line(row), row.order_id, letter)


def unheard(db: Connection, before: int) -> Sequence[Any]:
    """The animals whose last reminder went before a moment, without an answer: after it a person
    decides."""
    reminded_at = func.max(_L.sent_at)
    last = models.c.attempts * 10 + len(rules.REMIND_AFTER_DAYS)
    query = (
        select(
            *(orders.c.number, customers.c.name.label("customer")),
            *(animals.c.name.label("animal"), reminded_at.label("reminded_at")),
        )
        .select_from(news)
        .join(letters_table, (_L.id == news.c.letter_id) & (_L.state == "sent"))
        .join(orders, orders.c.id == news.c.order_id)
        .join(customers, customers.c.id == orders.c.customer_id)
        .join(
            order_animals,
            (order_animals.c.order_id == news.c.order_id)
            & (order_animals.c.letter == news.c.letter),
        )
        .join(animals, animals.c.id == order_animals.c.animal_id)
        .join(models, models.c.id == order_animals.c.model_id)
        .where(news.c.kind == "photo_reminder", news.c.round == last, store.still_wanted())
        .group_by(order_animals.c.id)
        .having(reminded_at <= before)
        .order_by(reminded_at)
    )
    return db.execute(query).all()


def _line(row: Any, *, of_order: bool = False) -> LetterLine:
    """A letter's line; among those of one order whose it is need not be said."""
    parts = parts_from_json(row.parts)
    kinds = [part.kind for part in parts] or [row.kind]
    about = ", ".join(dict.fromkeys(wording.CALLED.get(kind, kind) for kind in kinds))
    return LetterLine(
        row.id, row.state, about, row.subject, row.recipient, row.formed_at, row.next_at,
        row.sent_at, row.tries, row.why, bool(row.readable), row.number,
        "" if of_order else row.customer,
    )  # fmt: skip


def _news(row: Any) -> NewsLine:
    about = wording.CALLED.get(row.kind, row.kind)
    if row.kind == "photo_reminder":
        about = f"photo reminder {row.round % 10} of {len(rules.REMIND_AFTER_DAYS)}"
    if row.animal:
        about += f", {row.animal}"
    return NewsLine(
        row.id, about, row.at, row.held_why or "held" if row.held_at is not None else ""
    )
