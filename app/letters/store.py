"""News and letters, as they lie in the database."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    and_,
    bindparam,
    func,
    insert,
    or_,
    select,
    text,
    update,
)

from app.flow.steps import Step
from app.letters import rules
from app.letters.letter import Part, parts_from_json
from app.letters.rules import Gone, Pending
from app.orders.facts.acts import BY_A_PERSON
from app.shared.people import Person
from app.tables import (
    animals,
    changes,
    customer_mails,
    customers,
    letters,
    models,
    news,
    order_animals,
    orders,
)

TO_TELL = and_(news.c.told_at.is_(None), news.c.taken_back_at.is_(None))
_TOLD = (
    update(news)
    .where(news.c.id == bindparam("of"))
    .values(told_at=bindparam("now"), letter_id=bindparam("by"))
)


@dataclass(frozen=True, slots=True)
class Addressee:
    """Whom an order's letters go to. `mail` is empty where the customer has no address."""

    number: int
    name: str
    mail: str
    gift: bool


def ripe_orders(db: Connection, now: int) -> list[int]:
    """The orders of which there may be something to tell."""
    query = (
        select(news.c.order_id)
        .where(TO_TELL, news.c.held_at.is_(None), news.c.at <= now - rules.GRACE)
        .distinct()
        .order_by(news.c.order_id)
    )
    return list(db.execute(query).scalars())


def pending_of(db: Connection, order_ids: Sequence[int]) -> dict[int, list[Pending]]:
    """The news of some orders that no letter has told, the oldest first."""
    query = select(news).where(news.c.order_id.in_(order_ids), TO_TELL)
    found: dict[int, list[Pending]] = {}
    for row in db.execute(query.order_by(news.c.at, news.c.id)):
        found.setdefault(row.order_id, []).append(
            Pending(
                row.id,
                row.kind,
                row.letter,
                row.round,
                row.at,
                row.held_at is not None,
                row.line or "",
            )
        )
    return found


def gone_of(db: Connection, order_ids: Sequence[int]) -> dict[int, Gone]:
    """What some orders have had so far."""
    known: dict[int, set[tuple[str, str]]] = {}
    noted = select(news.c.order_id, news.c.kind, news.c.letter).where(
        news.c.order_id.in_(order_ids), news.c.taken_back_at.is_(None)
    )
    for row in db.execute(noted):
        known.setdefault(row.order_id, set()).add((row.kind, row.letter))
    parts: dict[int, list[Sequence[Part]]] = {}
    written = select(letters.c.order_id, letters.c.parts).where(
        letters.c.order_id.in_(order_ids), letters.c.state != "dropped"
    )
    for letter in db.execute(written):
        parts.setdefault(letter.order_id, []).append(parts_from_json(letter.parts))
    return {
        order_id: Gone(*rules.counted(parts.get(order_id, ())), frozenset(known.get(order_id, ())))
        for order_id in order_ids
    }


def addressees(db: Connection, order_ids: Sequence[int]) -> dict[int, Addressee]:
    """Whom the letters of some orders go to."""
    receives = and_(customer_mails.c.customer_id == customers.c.id, customer_mails.c.receives == 1)
    query = (
        select(orders.c.id, orders.c.number, orders.c.gift, customers.c.name, customer_mails.c.mail)
        .join(customers, customers.c.id == orders.c.customer_id)
        .outerjoin(customer_mails, receives)
        .where(orders.c.id.in_(order_ids))
    )
    return {
        row.id: Addressee(row.number, row.name, row.mail or "", bool(row.gift))
        for row in db.execute(query)
    }


def remembered_now(db: Connection, order_id: int) -> str:
    """The letters of the order's animals that are no longer alive."""
    query = (
        select(order_animals.c.letter)
        .join(animals, animals.c.id == order_animals.c.animal_id)
        .where(order_animals.c.order_id == order_id, animals.c.life == "remembered")
        .order_by(order_animals.c.letter)
    )
    return "".join(db.execute(query).scalars())


def acts_told(db: Connection, order_id: int) -> set[tuple[str, int]]:
    """The kinds and acts of an order of which a person told already, or decided not to."""
    query = select(news.c.kind, news.c.round).where(
        news.c.order_id == order_id, news.c.kind.in_(BY_A_PERSON), news.c.taken_back_at.is_(None)
    )
    return {(row.kind, row.round) for row in db.execute(query)}


def still_to_tell(db: Connection, news_ids: Iterable[int]) -> set[int]:
    """Those of some news that were neither told nor taken back meanwhile."""
    return set(
        db.execute(select(news.c.id).where(news.c.id.in_(list(news_ids)), TO_TELL)).scalars()
    )


def add(db: Connection, rows: Sequence[dict[str, Any]]) -> list[int]:
    """Add letters; gives their ids in order."""
    first = int(db.execute(select(func.coalesce(func.max(letters.c.id), 0) + 1)).scalar_one())
    ids = list(range(first, first + len(rows)))
    db.execute(insert(letters), [{**row, "id": id_} for id_, row in zip(ids, rows, strict=True)])
    return ids


def settle(db: Connection, told: Sequence[tuple[int, int | None]], now: int) -> None:
    """Mark news as told by a letter, or (with None) as told by none."""
    if told:
        db.execute(_TOLD, [{"of": id_, "by": letter_id, "now": now} for id_, letter_id in told])


def note(
    db: Connection, who: Person, now: int, order_id: int | None, letter_id: int, said: str
) -> None:
    """Keep who did what to a letter; never to whom it goes or what it says."""
    values = {"at": now, "account_id": who.account_id, "of": "letters", "of_id": letter_id}
    db.execute(insert(changes).values(**values, order_id=order_id, field="letter", after=said))


# ---------------------------------------------------------------- what time brings


# The two that every round asks are made once: making them costs more than asking.
_CALLED = select(news.c.id).where(news.c.order_id == orders.c.id, news.c.kind == "last_call")
_LAST_CALLS = (
    select(orders.c.id)
    .join(order_animals, order_animals.c.order_id == orders.c.id)
    .join(models, models.c.id == order_animals.c.model_id)
    .where(
        orders.c.open == 1,
        orders.c.copy_deadline.between(bindparam("today"), bindparam("until")),
        models.c.open == 1,
        models.c.step == Step.FINISHING,
        models.c.hold_reason == "",
        ~_CALLED.exists(),
    )
    .distinct()
)


def last_calls_due(db: Connection, today: str, until: str) -> list[int]:
    """The orders whose last day for copies lies between two days and that were not called."""
    return list(db.execute(_LAST_CALLS, {"today": today, "until": until}).scalars())


def still_wanted() -> ColumnElement[bool]:
    """A model whose photos are wanted, of which nobody has told us, and which nothing holds."""
    return and_(
        models.c.open == 1,
        models.c.step == Step.PHOTOS_WANTED,
        models.c.told_at.is_(None),
        models.c.hold_reason == "",
    )


_PHOTOS_ASKED = (
    select(
        order_animals.c.order_id,
        order_animals.c.letter,
        models.c.attempts,
        animals.c.life,
        func.max(letters.c.sent_at).label("asked_at"),
    )
    .select_from(models)
    .join(order_animals, order_animals.c.model_id == models.c.id)
    .join(animals, animals.c.id == order_animals.c.animal_id)
    .join(orders, orders.c.id == order_animals.c.order_id)
    .join(news, news.c.order_id == order_animals.c.order_id)
    .join(letters, letters.c.id == news.c.letter_id)
    .where(
        news.c.taken_back_at.is_(None),
        or_(
            and_(models.c.attempts == 0, news.c.kind == "order_in"),
            and_(
                news.c.kind == "more_views",
                news.c.letter == order_animals.c.letter,
                news.c.round == models.c.attempts,
            ),
        ),
        letters.c.state == "sent",
        still_wanted(),
        orders.c.open == 1,
    )
    .group_by(order_animals.c.id)
)


def photos_asked(db: Connection) -> Sequence[Any]:
    """The animals whose photos were asked for by a letter and have not been told of.

    Counted from the letter that asked: where none was written, nothing is to be reminded of.
    """
    return db.execute(_PHOTOS_ASKED).all()


_TO_APPROVE = text(
    "SELECT q.id, q.order_id, max(l.sent_at) AS asked_at FROM questions q"
    " JOIN orders o ON o.id = q.order_id AND o.open = 1"
    " JOIN news n ON n.order_id = q.order_id AND n.kind = 'question' AND n.round = q.id"
    " JOIN letters l ON l.id = n.letter_id AND l.state = 'sent'"
    " LEFT JOIN copies c ON c.id = q.copy_id"
    " JOIN models m ON m.id = coalesce(q.model_id, c.model_id)"
    " JOIN animals a ON a.id = m.animal_id"
    " WHERE q.round IS NOT NULL AND q.answered_at IS NULL AND q.overridden_at IS NULL"
    " AND a.life <> 'remembered' GROUP BY q.id"
)


def approvals_asked(db: Connection) -> Sequence[Any]:
    """What customers were asked to approve by a letter and have not answered, but for animals that
    have died: of those a person decides."""
    return db.execute(_TO_APPROVE).all()


def reminded(db: Connection, kind: str) -> set[tuple[int, str, int]]:
    """The reminders of a kind that were noted before, also those that somebody stopped."""
    query = select(news.c.order_id, news.c.letter, news.c.round)
    rows = db.execute(query.where(news.c.kind == kind))
    return {(row.order_id, row.letter, row.round) for row in rows}
