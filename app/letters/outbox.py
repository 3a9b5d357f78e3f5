"""The states of a letter, each change a conditional update: whoever comes second changes nothing.

waiting → sending (claimed, with a lease) → sent, or back to waiting for another try, or dead.
A person holds a waiting letter, lets it go, tries a dead one again, or drops it.
"""

import secrets
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, bindparam, text
from sqlalchemy.engine import Row

from app.flow.store import mark_stale
from app.letters import rules, store
from app.letters.letter import Part, parts_from_json
from app.orders.facts.acts import BY_A_PERSON, cancelled_since, touched
from app.orders.facts.gather import bare_facts
from app.shared.database import Database

_Row = Row[Any]

# Literal states, for the partial index of letters to send: no bound value would let it be used.
_NEXT = text(
    "SELECT id FROM letters WHERE (state = 'waiting' AND next_at <= :now"
    " OR state = 'sending' AND lease_until <= :now) AND id NOT IN :seen"
    " ORDER BY next_at, id LIMIT 1"
).bindparams(bindparam("seen", expanding=True))
# The first letter of an order stays the first, whatever became of it.
_ONE = text(
    "SELECT l.*, o.open AS order_open, (SELECT message_id FROM letters f"
    " WHERE f.order_id = l.order_id ORDER BY f.id LIMIT 1) AS first_id"
    " FROM letters l JOIN orders o ON o.id = l.order_id WHERE l.id = :id"
)
_CLAIM = text(
    "UPDATE letters SET state = 'sending', claim = :claim, lease_until = :lease,"
    " tries = tries + 1, recipient = :recipient, to_name = :to_name WHERE id = :id"
    " AND (state = 'waiting' AND next_at <= :now OR state = 'sending' AND lease_until <= :now)"
)
_HOLD = text(
    "UPDATE letters SET state = 'held', claim = '', lease_until = NULL, why = :why"
    " WHERE id = :id AND state IN ('waiting', 'sending')"
)
_DROP = text(
    "UPDATE letters SET state = 'dropped', claim = '', lease_until = NULL, why = :why"
    " WHERE id = :id AND state IN ('waiting', 'sending', 'held', 'dead')"
)
_SENT = text(
    "UPDATE letters SET state = 'sent', sent_at = :now, claim = '', lease_until = NULL, why = ''"
    " WHERE id = :id AND state = 'sending' AND claim = :claim"
)
_DEAD = text(
    "UPDATE letters SET state = 'dead', claim = '', lease_until = NULL, why = :why"
    " WHERE id = :id AND state = 'sending' AND claim = :claim"
)
_LATER = text(
    "UPDATE letters SET state = 'waiting', claim = '', lease_until = NULL, why = :why,"
    " next_at = :next_at WHERE id = :id AND state = 'sending' AND claim = :claim"
)
_NEWS_OF = text("SELECT id, taken_back_at FROM news WHERE letter_id = :id")
_FREE = text("UPDATE news SET told_at = NULL, letter_id = NULL WHERE letter_id = :id")
_RELEASE_ALL = text("UPDATE letters SET lease_until = :now WHERE state = 'sending'")
_SENDING = text("SELECT 1 FROM letters WHERE state = 'sending' AND lease_until > :now LIMIT 1")

TAKEN_BACK = "What it announced was undone before it was sent."
CANCELLED = "Nothing in this order is being made any more."
OVERTAKEN = "What it announced is no longer so."
TONE_CHANGED = "“Gift” or “Animal is” was changed since it was written. Read it before it goes out."
ADDRESS_CHANGED = "The customer's address was changed after the last try. Check it first."
TOO_OLD = "It has been waiting for more than five days. Read it before it goes out."
NO_ADDRESS = "This customer has no email address."


@dataclass(frozen=True, slots=True)
class Claimed:
    """A letter that is ours to send until its lease ends."""

    id: int
    claim: str
    order_id: int
    number: int
    parts: str
    facts: str
    subject: str
    recipient: str
    to_name: str
    message_id: str
    first_id: str
    tag: str
    formed_at: int
    tries: int


def next_due(database: Database, now: int, seen: Collection[int]) -> int | None:
    """The letter that has waited longest for its turn, those seen in this round left out."""
    with database.reading() as db:
        found = db.execute(_NEXT, {"now": now, "seen": list(seen) or [-1]}).scalar()
    return int(found) if found is not None else None


def release_leases(database: Database, now: int) -> None:
    """At start: what a process that is gone had claimed may be taken up again at once."""
    with database.reading() as db:
        any_ = db.execute(_SENDING, {"now": now}).first()
    if any_ is not None:
        with database.writing() as db:
            db.execute(_RELEASE_ALL, {"now": now})


def claim(database: Database, letter_id: int, now: int) -> Claimed | None:
    """Take a letter for sending, after another look at what it says and to whom.

    Gives None where somebody else has it, or where the look stopped it: held for a person, or
    dropped because what it told is not so any more.
    """
    with database.writing() as db:
        row = db.execute(_ONE, {"id": letter_id}).first()
        if row is None:
            return None
        to = store.addressees(db, [row.order_id])[row.order_id]
        if not _still_right(db, row, to, now):
            return None
        # What was never tried goes to the address as it is now.
        mail, name = (to.mail, to.name) if row.tries == 0 else (row.recipient, row.to_name)
        mark = secrets.token_hex(8)
        done = db.execute(
            _CLAIM,
            {"id": letter_id, "now": now, "lease": now + rules.LEASE, "claim": mark,
             "recipient": mail, "to_name": name},
        )  # fmt: skip
        if done.rowcount != 1:
            return None
    return Claimed(
        row.id, mark, row.order_id, to.number, row.parts, row.facts, row.subject, mail, name,
        row.message_id, row.first_id, row.tag, row.formed_at, row.tries + 1,
    )  # fmt: skip


def _still_right(db: Connection, row: _Row, to: store.Addressee, now: int) -> bool:
    told = db.execute(_NEWS_OF, {"id": row.id}).all()
    if told and any(one.taken_back_at is not None for one in told):
        # What still stands of it is told by another letter.
        drop(db, row.id, TAKEN_BACK, free=True)
        return False
    acts = [part for part in parts_from_json(row.parts) if part.kind in BY_A_PERSON]
    if acts and _overtaken(db, row, acts):
        drop(db, row.id, OVERTAKEN, free=True)
        return False
    listed = [one for one in parts_from_json(row.parts) if one.kind in rules.OF_THE_LIST]
    if listed:
        facts = bare_facts(db, row.order_id)
        if not all(rules.still_so(one.kind, one.round, facts) for one in listed):
            drop(db, row.id, OVERTAKEN, free=True)
            return False
    elif not acts and not row.order_open and _cancelled(db, row.order_id):
        drop(db, row.id, CANCELLED, free=False)
        return False
    why = _for_a_look(row, to, store.remembered_now(db, row.order_id), now)
    if why:
        db.execute(_HOLD, {"id": row.id, "why": why})
    return not why


def _for_a_look(row: _Row, to: store.Addressee, remembered: str, now: int) -> str:
    if not to.mail:
        return NO_ADDRESS
    if to.gift != bool(row.gift) or not set(remembered) <= set(row.remembered):
        return TONE_CHANGED
    if row.tries and row.recipient and to.mail != row.recipient:
        return ADDRESS_CHANGED
    if row.state == "waiting" and now - row.next_at > rules.TOO_OLD:
        return TOO_OLD
    return ""


def _overtaken(db: Connection, row: _Row, acts: Sequence[Part]) -> bool:
    """Whether an act that it tells of is over, or more was cancelled than it knows of."""
    facts = bare_facts(db, row.order_id)
    over = not all(touched(part.kind, part.round, facts) for part in acts)
    return over or cancelled_since(facts, row.formed_at)


_ALIVE = text(
    "SELECT 1 FROM copies WHERE order_id = :id AND withdrawn = 0 AND step <> 'cancelled'"
    " UNION ALL SELECT 1 FROM models WHERE order_id = :id AND step <> 'cancelled' LIMIT 1"
)


def _cancelled(db: Connection, order_id: int) -> bool:
    return db.execute(_ALIVE, {"id": order_id}).first() is None


def mark_sent(database: Database, letter: Claimed, now: int) -> bool:
    """The other side has taken it over. False where the lease had gone to somebody else."""
    with database.writing() as db:
        return _mark(db, _SENT, letter, now=now)


def mark_dead(database: Database, letter: Claimed, why: str) -> bool:
    """It can never go as it is: people see it, and why."""
    with database.writing() as db:
        return _mark(db, _DEAD, letter, why=why)


def mark_later(database: Database, letter: Claimed, why: str, next_at: int) -> bool:
    """Another try, not before a moment."""
    with database.writing() as db:
        return _mark(db, _LATER, letter, why=why, next_at=next_at)


def _mark(db: Connection, statement: Any, letter: Claimed, **values: Any) -> bool:
    done = db.execute(statement, {"id": letter.id, "claim": letter.claim, **values})
    # The order's page says since when a question has been asked, and whether we are writing.
    asks = any(part.kind == "question" for part in parts_from_json(letter.parts))
    if done.rowcount == 1 and asks and statement is not _LATER:
        mark_stale(db, [letter.order_id])
    return bool(done.rowcount == 1)


def drop(db: Connection, letter_id: int, why: str, *, free: bool) -> bool:
    """Let a letter never go. With `free` its news may be told by another one."""
    if free:
        db.execute(_FREE, {"id": letter_id})
    return bool(db.execute(_DROP, {"id": letter_id, "why": why}).rowcount == 1)


def hold(db: Connection, letter_id: int, why: str) -> bool:
    """Keep a letter back for a person."""
    return bool(db.execute(_HOLD, {"id": letter_id, "why": why}).rowcount == 1)
