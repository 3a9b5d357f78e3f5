"""Letters and news as the staff's pages show them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, bindparam, text
from sqlalchemy.engine import Row

from app.letters import rules, store, wording
from app.letters.asking import Asked
from app.letters.facts import LetterFacts, Part, facts_from_json, parts_from_json
from app.letters.rules import Posting
from app.shared.errors import NotFound

PAGE = 50
FEW = 200
# The lists of the Letters page: what each is called in its address, and what is in it.
STATES = {
    "waits": ("waiting", "sending"),
    "held": ("held",),
    "dead": ("dead",),
    "went": ("sent",),
    "dropped": ("dropped",),
}

_LIST = text(
    "SELECT l.id, l.state, l.kind, l.parts, l.subject, l.recipient, l.formed_at, l.next_at,"
    " l.sent_at, l.tries, l.why, l.facts <> '' AS readable, o.number, c.name AS customer"
    " FROM letters l JOIN orders o ON o.id = l.order_id JOIN customers c ON c.id = o.customer_id"
    " WHERE l.state IN :states ORDER BY l.id DESC LIMIT :most OFFSET :skip"
).bindparams(bindparam("states", expanding=True))
_COUNTS = text("SELECT state, count(*) AS n FROM letters GROUP BY state")
_OF_ORDER = text(
    "SELECT l.id, l.state, l.kind, l.parts, l.subject, l.recipient, l.formed_at, l.next_at,"
    " l.sent_at, l.tries, l.why, l.facts <> '' AS readable FROM letters l"
    " WHERE l.order_id = :order_id ORDER BY l.id DESC LIMIT 60"
)
_ONE = text(
    "SELECT l.*, o.number FROM letters l JOIN orders o ON o.id = l.order_id WHERE l.id = :id"
)
_NEWS = (
    "SELECT n.id, n.order_id, n.kind, n.letter, n.round, n.at, n.held_at, n.held_why,"
    " o.number, c.name AS customer, a.name AS animal FROM news n"
    " JOIN orders o ON o.id = n.order_id JOIN customers c ON c.id = o.customer_id"
    " LEFT JOIN order_animals oa ON oa.order_id = n.order_id AND oa.letter = n.letter"
    " LEFT JOIN animals a ON a.id = oa.animal_id"
    " WHERE n.told_at IS NULL AND n.taken_back_at IS NULL {more}"
    " ORDER BY n.at, n.id LIMIT :most"
)
_ALL_NEWS = text(_NEWS.format(more=""))
_NEWS_OF_ORDER = text(_NEWS.format(more="AND n.order_id = :order_id"))
# After the last reminder a person decides: a week has passed and nothing has come.
_UNHEARD = text(
    "SELECT o.number, c.name AS customer, a.name AS animal, max(l.sent_at) AS reminded_at"
    " FROM news n JOIN letters l ON l.id = n.letter_id AND l.state = 'sent'"
    " JOIN orders o ON o.id = n.order_id JOIN customers c ON c.id = o.customer_id"
    " JOIN order_animals oa ON oa.order_id = n.order_id AND oa.letter = n.letter"
    " JOIN animals a ON a.id = oa.animal_id JOIN models m ON m.id = oa.model_id"
    " WHERE n.kind = 'photo_reminder' AND n.round = m.attempts * 10 + :last"
    " AND m.step = 'photos_wanted' AND m.told_at IS NULL AND m.open = 1 AND m.hold_reason = ''"
    " GROUP BY oa.id HAVING max(l.sent_at) <= :before ORDER BY reminded_at"
)


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
class Waiting:
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
class OrderLetters:
    """What an order's customer has been written, and what waits."""

    news: tuple[NewsLine, ...]
    letters: tuple[LetterLine, ...]


@dataclass(frozen=True, slots=True)
class KeptLetter:
    """One letter with its facts and parts, to be read."""

    line: LetterLine
    order_id: int
    parts: tuple[Part, ...]
    facts: LetterFacts | None


def page_of(db: Connection, which: str, page: int) -> list[LetterLine]:
    """A page of one of the lists, the newest first; one more than PAGE where there is another."""
    values = {"states": list(STATES[which]), "most": PAGE + 1, "skip": page * PAGE}
    return [_line(row, row.number, row.customer) for row in db.execute(_LIST, values)]


def counts(db: Connection) -> dict[str, int]:
    """How many letters are in each of the lists."""
    by_state = {row.state: row.n for row in db.execute(_COUNTS)}
    return {name: sum(by_state.get(s, 0) for s in states) for name, states in STATES.items()}


def waiting(
    db: Connection, asked: Asked, posting: Posting, now: int, order_id: int | None = None
) -> list[Waiting]:
    """The orders whose news waits for a letter, what goes soonest first; or one of them."""
    query = _ALL_NEWS if order_id is None else _NEWS_OF_ORDER
    rows = db.execute(query, {"most": FEW, "order_id": order_id}).all()
    by_order: dict[int, list[Row[Any]]] = {}
    for row in rows:
        by_order.setdefault(row.order_id, []).append(row)
    ids = list(by_order)
    if not ids:
        return []
    facts, gone = asked(db, ids), store.gone_of(db, ids)
    pending = store.pending_of(db, ids)
    found = [
        Waiting(
            id_, group[0].number, group[0].customer, tuple(_news(row) for row in group),
            rules.goes_at(pending.get(id_, ()), facts[id_], gone[id_], posting, now),
        )
        for id_, group in by_order.items()
    ]  # fmt: skip
    return sorted(found, key=lambda one: (one.goes_at is None, one.goes_at or 0, one.number))


def letters_of(db: Connection, order_id: int) -> OrderLetters:
    """What waits for an order's customer, and what was written so far, the newest first."""
    news = db.execute(_NEWS_OF_ORDER, {"most": FEW, "order_id": order_id})
    letters = db.execute(_OF_ORDER, {"order_id": order_id})
    return OrderLetters(tuple(map(_news, news)), tuple(_line(row, 0) for row in letters))


def one(db: Connection, letter_id: int) -> KeptLetter:
    """One letter. Raises NotFound."""
    row = db.execute(_ONE, {"id": letter_id}).first()
    if row is None:
        raise NotFound("There is no such letter.")
    line = _line(row, row.number, readable=bool(row.facts))
    facts = facts_from_json(row.facts) if row.facts else None
    return KeptLetter(line, row.order_id, parts_from_json(row.parts), facts)


def unheard(db: Connection, before: int) -> Sequence[Row[Any]]:
    """The animals whose last reminder went before a moment, without an answer."""
    last = len(rules.REMIND_AFTER_DAYS)
    return db.execute(_UNHEARD, {"last": last, "before": before}).all()


def _line(row: Any, number: int, customer: str = "", readable: bool | None = None) -> LetterLine:
    parts = parts_from_json(row.parts)
    kinds = [part.kind for part in parts] or [row.kind]
    about = ", ".join(dict.fromkeys(wording.CALLED.get(kind, kind) for kind in kinds))
    return LetterLine(
        row.id, row.state, about, row.subject, row.recipient, row.formed_at, row.next_at,
        row.sent_at, row.tries, row.why, bool(row.readable) if readable is None else readable,
        number, customer,
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
