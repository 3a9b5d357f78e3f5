"""What people do to letters and news: hold, let go, try again, drop, stop. One transaction each."""

import json
import logging
from typing import Any

from sqlalchemy import Connection, Update, delete, or_, select, update
from sqlalchemy.dialects.sqlite import insert

from app.flow.store import mark_pages_stale
from app.letters import outbox, store
from app.letters.forming import words_kept
from app.letters.letter import parts_from_json
from app.letters.store import TO_TELL, note
from app.orders.facts.gather import facts_of
from app.shared.database import Database
from app.shared.errors import AlreadyMoved, NotFound, Refused
from app.shared.people import Person
from app.studio.workshop import InForce
from app.tables import letters, news, settings

_log = logging.getLogger("likewright.letters")
BY_HAND = "Put on hold by somebody here."
NOT_SENT = "Somebody here decided not to send it."
BEFORE_RESTORE = (
    "It was waiting when the backup was made and may have been sent already. Read it first."
)
OFF = "sending_off_since"


def hold(database: Database, letter_id: int, who: Person, now: int) -> None:
    """Hold a letter that waits. Raises NotFound, AlreadyMoved."""
    with database.writing() as db:
        row = _row(db, letter_id)
        if row.state != "waiting" or not outbox.hold(db, letter_id, BY_HAND):
            raise AlreadyMoved("That email is not waiting any more.")
        _noted(db, who, now, row.order_id, row.id, "held")


def send_again(
    database: Database, in_force: InForce, letter_id: int, who: Person, now: int
) -> None:
    """Let a held or dead letter go, or a waiting one at once, to the address as it is now.

    One that was never tried is worded afresh if gift or remembered were changed meanwhile; one
    that was tried keeps its words, because it goes out under the same Message-ID. A letter that
    never came to words gives its news back, to be formed anew.
    Raises NotFound, AlreadyMoved, and Refused where there is no address.
    """
    with database.writing() as db:
        row = _row(db, letter_id)
        if row.state not in ("held", "dead", "waiting"):
            raise AlreadyMoved("That email has been sent, or is being sent.")
        if not row.facts:
            outbox.drop(db, letter_id, "Written again.", free=True)
            return
        to = store.addressees(db, [row.order_id])[row.order_id]
        if not to.mail:
            raise Refused("This customer has no email address. Enter one first.")
        done = db.execute(
            update(letters)
            .where(letters.c.id == letter_id, letters.c.state.in_(("held", "dead", "waiting")))
            .values(
                state="waiting",
                next_at=now,
                tries=0,
                why="",
                account_id=who.account_id,
                recipient=to.mail,
                to_name=to.name,
                **_words_now(db, in_force, row, to.gift, now),
            )
        )
        if done.rowcount != 1:
            raise AlreadyMoved("That email has been sent, or is being sent.")
        _noted(db, who, now, row.order_id, row.id, "sent by hand")


def _words_now(db: Connection, in_force: InForce, row: Any, gift: bool, now: int) -> dict[str, Any]:
    remembered = store.remembered_now(db, row.order_id)
    if row.tries == 0 and (gift != bool(row.gift) or remembered != row.remembered):
        facts = facts_of(db, row.order_id, in_force, now)
        return words_kept(parts_from_json(row.parts), facts, in_force, now)
    return {"gift": int(gift), "remembered": remembered}


def drop(database: Database, letter_id: int, who: Person, now: int) -> None:
    """Decide that a letter is not sent. Raises NotFound, AlreadyMoved."""
    with database.writing() as db:
        row = _row(db, letter_id)
        sending = row.state == "sending"
        if sending or not outbox.drop(db, letter_id, NOT_SENT, free=False):
            raise AlreadyMoved("That email has been sent, or is being sent.")
        _noted(db, who, now, row.order_id, row.id, "not sent")


def hold_news(database: Database, order_id: int, who: Person, now: int) -> None:
    """Keep an order's news back until somebody lets it go. Raises AlreadyMoved."""
    held = update(news).where(news.c.held_at.is_(None)).values(held_at=now, held_why=BY_HAND)
    _news(database, held, order_id, who, now, "update put on hold")


def let_news_go(database: Database, order_id: int, who: Person, now: int) -> None:
    """Let an order's held news go with its next letter. Raises AlreadyMoved."""
    freed = update(news).where(news.c.held_at.is_not(None)).values(held_at=None, held_why=None)
    _news(database, freed, order_id, who, now, "update released")


def _news(database: Database, act: Update, order_id: int, who: Person, now: int, said: str) -> None:
    with database.writing() as db:
        if not db.execute(act.where(news.c.order_id == order_id, TO_TELL)).rowcount:
            raise AlreadyMoved("That is done already.")
        _noted(db, who, now, order_id, 0, said)


def stop_news(database: Database, news_id: int, who: Person, now: int) -> None:
    """Let a piece of news, a reminder say, never go. Raises NotFound, AlreadyMoved."""
    with database.writing() as db:
        row = db.execute(select(news).where(news.c.id == news_id)).first()
        if row is None:
            raise NotFound("There is no such update.")
        stopped = update(news).where(news.c.id == news_id, TO_TELL)
        if not db.execute(stopped.values(told_at=now, held_why=NOT_SENT)).rowcount:
            raise AlreadyMoved("That has been sent or stopped already.")
        _noted(db, who, now, row.order_id, 0, f"{row.kind} stopped")


def _noted(
    db: Connection, who: Person, now: int, order_id: int | None, letter_id: int, what: str
) -> None:
    """Keep who did it; the order's page says whether a question's letter is on its way."""
    note(db, who, now, order_id, letter_id, what)
    mark_pages_stale(db, [order_id] if order_id is not None else None)


def _row(db: Connection, letter_id: int) -> Any:
    row = db.execute(select(letters).where(letters.c.id == letter_id)).first()
    if row is None:
        raise NotFound("There is no such email.")
    return row


# ---------------------------------------------------------------- off after a restore


def off_since(db: Connection) -> int | None:
    """Since when no letter leaves, by a restore; None where they do."""
    value = db.execute(select(settings.c.value).where(settings.c.name == OFF)).scalar()
    return int(json.loads(value)) if value is not None else None


def turn_off(db: Connection, now: int) -> None:
    """After a restore: no letter leaves until the owner says yes."""
    said = {"value": json.dumps(now), "changed_at": now, "changed_by_id": None}
    row = insert(settings).values(name=OFF, **said)
    db.execute(row.on_conflict_do_update(index_elements=["name"], set_=said))


def turn_on(database: Database, who: Person, now: int) -> None:
    """The owner's yes. What the backup still had waiting may have gone since it was made: it is
    held, to be read first. Raises AlreadyMoved."""
    with database.writing() as db:
        since = off_since(db)
        if since is None:
            raise AlreadyMoved("Emails are being sent already.")
        older = select(news.c.letter_id).where(news.c.at <= since)
        db.execute(
            update(letters)
            .where(
                letters.c.state.in_(("waiting", "sending")),
                or_(letters.c.formed_at <= since, letters.c.id.in_(older)),
            )
            .values(state="held", claim="", lease_until=None, why=BEFORE_RESTORE)
        )
        db.execute(
            update(news)
            .where(TO_TELL, news.c.held_at.is_(None), news.c.at <= since)
            .values(held_at=now, held_why=BEFORE_RESTORE)
        )
        db.execute(delete(settings).where(settings.c.name == OFF))
        _noted(db, who, now, None, 0, "sending turned on again")
    _log.info("account %s turned sending on again", who.account_id)
