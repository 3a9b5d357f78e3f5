"""From news to letters. The facts are read and worded first; then one transaction checks that the
news still stands, writes the letters and marks the news as told: all of it or nothing."""

import logging
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import SQLAlchemyError

from app.flow import news_rows as news
from app.letters import rules, store, wording
from app.letters.letter import Part, letter_to_json, parts_to_json
from app.letters.message import Unsendable, mailbox
from app.letters.rules import LetterPlan, Posting
from app.letters.sentences import letter_of
from app.letters.store import Addressee
from app.orders.facts.gather import facts_of_many
from app.orders.facts.order import OrderFacts
from app.shared.database import Database
from app.shared.errors import NotFound
from app.status.document import StudioContact
from app.status.wording import Teller
from app.studio.workshop import InForce

AT_ONCE = 50
NO_ADDRESS = "This customer has no email address."
NO_WORDS = "It could not be written. The program's log says why."
READ_FIRST = "The animal has died: somebody should read it first."
_log = logging.getLogger("likewright.letters")


@dataclass(frozen=True, slots=True)
class _Formed:
    """A letter that has yet to be written down, and the news it tells."""

    row: dict[str, Any]
    news: tuple[int, ...]


def posting_of(in_force: InForce) -> Posting:
    """The studio's hours for letters."""
    settings = in_force.settings
    return Posting(in_force.calendar, settings.posting_from, settings.posting_until)


def teller_of(in_force: InForce) -> Teller:
    """The studio as it speaks on its pages and in its letters."""
    settings = in_force.settings
    contact = StudioContact(settings.contact_mail, settings.contact_phone, settings.contact_hours)
    return Teller(
        settings.name, contact, in_force.calendar, settings.how_to_send_photos, settings.blank_on,
        settings.own_words,
    )  # fmt: skip


def form_due(database: Database, in_force: InForce, now: int, *, only: int | None = None) -> int:
    """Form every letter that is due; gives how many.

    With `only`, all news of that order goes into a letter at once, whatever the hour; raises
    NotFound where there is no such order.
    """
    if only is None and not posting_of(in_force).is_open(now):
        return 0
    with database.reading() as db:
        if only is not None and not store.addressees(db, [only]):
            raise NotFound("There is no such order.")
        ids = store.ripe_orders(db, now) if only is None else [only]
    formed = 0
    for start in range(0, len(ids), AT_ONCE):
        chunk = ids[start : start + AT_ONCE]
        formed += _form(database, in_force, now, chunk, at_once=only is not None)
    return formed


def _form(
    database: Database, in_force: InForce, now: int, ids: Sequence[int], *, at_once: bool
) -> int:
    try:
        with database.reading() as db:
            formed, moot = _plan_all(db, in_force, now, ids, at_once=at_once)
    except (SQLAlchemyError, OSError):
        raise
    except Exception:
        # One that cannot be put into words holds up no other.
        if len(ids) > 1:
            return sum(_form(database, in_force, now, [one], at_once=at_once) for one in ids)
        _complain(ids[0], now // 86_400)
        with database.reading() as db:
            formed, moot = [_unworded(db, ids[0], now, domain_of(in_force))], []
    if not formed and not moot:
        return 0
    with database.writing() as db:
        return _write(db, formed, moot, now)


@lru_cache(256)
def _complain(order_id: int, day: int) -> None:
    """Say it once a day for each order."""
    _log.exception("no letter could be formed for the order with id %d", order_id)


def _plan_all(
    db: Connection, in_force: InForce, now: int, ids: Sequence[int], *, at_once: bool
) -> tuple[list[_Formed], list[int]]:
    posting = posting_of(in_force)
    pending, gone = store.pending_of(db, ids), store.gone_of(db, ids)
    found, people = facts_of_many(db, ids, in_force, now), store.addressees(db, ids)
    formed: list[_Formed] = []
    moot: list[int] = []
    for order_id in ids:
        facts, waiting = found[order_id], pending.get(order_id, [])
        plan = rules.plan(waiting, facts, gone[order_id], posting, now, at_once=at_once)
        moot.extend(plan.moot)
        if plan.parts:
            row = _row(order_id, plan, facts, people[order_id], in_force, now)
            formed.append(_Formed(row, plan.news))
    return formed, moot


def _row(
    order_id: int, plan: LetterPlan, facts: OrderFacts, to: Addressee, in_force: InForce, now: int
) -> dict[str, Any]:
    return {
        **_blank(order_id, now, domain_of(in_force)),
        **words_kept(plan.parts, facts, in_force, now),
        "state": "waiting" if to.mail else "held",
        "kind": plan.parts[0].kind,
        "parts": parts_to_json(plan.parts),
        "recipient": to.mail,
        "to_name": to.name,
        "why": "" if to.mail else NO_ADDRESS,
    }


def words_kept(
    parts: Sequence[Part], facts: OrderFacts, in_force: InForce, now: int
) -> dict[str, Any]:
    """A letter's words as its row keeps them, with the tone that they were chosen for."""
    return {
        "facts": letter_to_json(letter_of(parts, facts, teller_of(in_force), now)),
        "subject": wording.subject(parts, facts),
        "gift": int(facts.gift),
        "remembered": "".join(animal.letter for animal in facts.animals if animal.remembered),
    }


def domain_of(in_force: InForce) -> str:
    """The domain in which letters get their ids."""
    try:
        return mailbox(in_force.settings.contact_mail).domain
    except Unsendable:
        return "letters.invalid"


def _blank(order_id: int, now: int, domain: str) -> dict[str, Any]:
    return {
        "order_id": order_id,
        "message_id": f"<{secrets.token_hex(16)}@{domain}>",
        "tag": f"l{secrets.token_hex(6)}",
        "formed_at": now,
        "next_at": now,
    }


def _unworded(db: Connection, order_id: int, now: int, domain: str) -> _Formed:
    """A dead letter in place of one that could not be worded: seen by people, tried by hand."""
    ripe = [one for one in store.pending_of(db, [order_id]).get(order_id, []) if not one.held]
    row = {
        **_blank(order_id, now, domain),
        "state": "dead", "kind": ripe[0].kind if ripe else "order_in", "parts": "[]", "facts": "",
        "subject": "", "recipient": "", "to_name": "", "gift": 0, "remembered": "", "why": NO_WORDS,
    }  # fmt: skip
    return _Formed(row, tuple(one.id for one in ripe))


def _write(db: Connection, formed: Sequence[_Formed], moot: Sequence[int], now: int) -> int:
    """Write letters whose news still stands; what an undo took back meanwhile stays untold."""
    wanted = [id_ for one in formed for id_ in one.news] + list(moot)
    standing = store.still_to_tell(db, wanted)
    whole = [one for one in formed if one.news and standing.issuperset(one.news)]
    told: list[tuple[int, int | None]] = [(id_, None) for id_ in moot if id_ in standing]
    if whole:
        ids = store.add(db, [one.row for one in whole])
        told += [(n, id_) for one, id_ in zip(whole, ids, strict=True) for n in one.news]
    store.settle(db, told, now)
    return len(whole)


# ---------------------------------------------------------------- what time brings


def note_what_time_brings(database: Database, posting: Posting, now: int) -> int:
    """Note last calls and reminders as news when their day comes; gives how many.

    Reminders are noted a working day ahead, so that one can be stopped; for an animal that is no
    longer alive they are held until a person has read them.
    """
    calendar = posting.calendar
    today = calendar.day_of(now)
    until = calendar.add_working_days(today, rules.LAST_CALL_WORKING_DAYS)
    with database.reading() as db:
        calls = store.last_calls_due(db, today.isoformat(), until.isoformat())
        reminders = [
            found for row in store.photos_asked(db) if (found := _reminder(row, posting, now))
        ]
        known = store.reminded(db, "photo_reminder") if reminders else set()
        approvals = [
            one
            for row in store.approvals_asked(db)
            if (one := _approval_reminder(row, posting, now))
        ]
        told = store.reminded(db, "approval_reminder") if approvals else set()
    approvals = [one for one in approvals if (one[0], "", one[1]) not in told]
    reminders = [one for one in reminders if (one[0], one[1], one[2]) not in known]
    if not calls and not reminders and not approvals:
        return 0
    with database.writing() as db:
        for order_id in calls:
            news.write(db, order_id, "last_call", now)
        for order_id, letter, round_, at, held_why in reminders:
            news.write(
                db, order_id, "photo_reminder", at, letter=letter, round_=round_, held_why=held_why
            )
        for order_id, round_, at in approvals:
            news.write(db, order_id, "approval_reminder", at, round_=round_)
    return len(calls) + len(reminders) + len(approvals)


def _approval_reminder(row: Any, posting: Posting, now: int) -> tuple[int, int, int] | None:
    calendar = posting.calendar
    asked_on, today = calendar.day_of(row.asked_at), calendar.day_of(now)
    gaps = rules.REMIND_OF_APPROVAL_AFTER_DAYS
    found = rules.reminder_to_note(asked_on, today, calendar, gaps)
    if found is None:
        return None
    number, day = found
    return row.order_id, row.id * 10 + number, max(posting.opens(day) - rules.GRACE, now)


def _reminder(row: Any, posting: Posting, now: int) -> tuple[int, str, int, int, str | None] | None:
    calendar = posting.calendar
    asked_on, today = calendar.day_of(row.asked_at), calendar.day_of(now)
    found = rules.reminder_to_note(asked_on, today, calendar)
    if found is None:
        return None
    number, day = found
    # It is ripe when its window opens; noted after that it waits like any other.
    at = max(posting.opens(day) - rules.GRACE, now)
    held_why = READ_FIRST if row.life == "remembered" else None
    return row.order_id, row.letter, row.attempts * 10 + number, at, held_why
