"""What people do to letters and news: hold, let go, try again, drop, stop. One transaction each."""

import json
import logging
from typing import Any

from sqlalchemy import Connection, insert, text

from app.letters import outbox, store, wording
from app.letters.asking import Asked
from app.letters.facts import facts_to_json, parts_from_json
from app.shared.database import Database
from app.shared.errors import AlreadyMoved, NotFound, Refused
from app.shared.people import Person
from app.tables import changes

_log = logging.getLogger("likewright.letters")
BY_HAND = "Held by hand."
NOT_SENT = "Somebody decided that it is not sent."
BEFORE_RESTORE = "It waited when the backup was made and may have gone already. Read it first."
OFF = "sending_off_since"

_ONE = text("SELECT * FROM letters WHERE id = :id")
_AGAIN = text(
    "UPDATE letters SET state = 'waiting', next_at = :now, tries = 0, why = '',"
    " account_id = :who, recipient = :recipient, to_name = :to_name, facts = :facts,"
    " subject = :subject, gift = :gift, remembered = :remembered"
    " WHERE id = :id AND state IN ('held', 'dead', 'waiting')"
)
_NEWS = "told_at IS NULL AND taken_back_at IS NULL"
_HOLD_NEWS = text(
    f"UPDATE news SET held_at = :now, held_why = :why WHERE order_id = :order_id AND {_NEWS}"  # noqa: S608
    " AND held_at IS NULL"
)
_LET_NEWS_GO = text(
    "UPDATE news SET held_at = NULL, held_why = NULL"  # noqa: S608
    f" WHERE order_id = :order_id AND {_NEWS} AND held_at IS NOT NULL"
)
_STOP_NEWS = text(
    f"UPDATE news SET told_at = :now, held_why = :why WHERE id = :id AND {_NEWS}"  # noqa: S608
)
_NEWS_ORDER = text("SELECT order_id, kind FROM news WHERE id = :id")


def hold(database: Database, letter_id: int, who: Person, now: int) -> None:
    """Hold a letter that waits. Raises NotFound, AlreadyMoved."""
    with database.writing() as db:
        row = _row(db, letter_id)
        if row.state != "waiting" or not outbox.hold(db, letter_id, BY_HAND):
            raise AlreadyMoved("That letter does not wait any more.")
        _note(db, who, now, row.order_id, row.id, "held")


def send_again(database: Database, asked: Asked, letter_id: int, who: Person, now: int) -> None:
    """Let a held or dead letter go, or a waiting one at once, to the address as it is now.

    One that was never tried is worded afresh if gift or remembered were changed meanwhile; one
    that was tried keeps its words, because it goes out under the same Message-ID. A letter that
    never came to words gives its news back, to be formed anew.
    Raises NotFound, AlreadyMoved, and Refused where there is no address.
    """
    with database.writing() as db:
        row = _row(db, letter_id)
        if row.state not in ("held", "dead", "waiting"):
            raise AlreadyMoved("That letter has gone, or is going.")
        if not row.facts:
            outbox.drop(db, letter_id, "Formed anew.", free=True)
            return
        to = store.addressees(db, [row.order_id])[row.order_id]
        if not to.mail:
            raise Refused("This customer has no mail address. Type one first.")
        done = db.execute(
            _AGAIN,
            {"id": letter_id, "now": now, "who": who.account_id, "recipient": to.mail,
             "to_name": to.name, **_words_now(db, asked, row, to.gift)},
        )  # fmt: skip
        if done.rowcount != 1:
            raise AlreadyMoved("That letter has gone, or is going.")
        _note(db, who, now, row.order_id, row.id, "sent by hand")


def _words_now(db: Connection, asked: Asked, row: Any, gift: bool) -> dict[str, Any]:
    remembered = store.remembered_now(db, row.order_id)
    if row.tries == 0 and (gift != bool(row.gift) or remembered != row.remembered):
        facts = asked(db, [row.order_id])[row.order_id]
        return {
            "facts": facts_to_json(facts),
            "subject": wording.subject(parts_from_json(row.parts), facts),
            "gift": int(facts.gift),
            "remembered": remembered,
        }
    return {
        "facts": row.facts, "subject": row.subject, "gift": int(gift), "remembered": remembered,
    }  # fmt: skip


def drop(database: Database, letter_id: int, who: Person, now: int) -> None:
    """Decide that a letter is not sent. Raises NotFound, AlreadyMoved."""
    with database.writing() as db:
        row = _row(db, letter_id)
        sending = row.state == "sending"
        if sending or not outbox.drop(db, letter_id, NOT_SENT, free=False):
            raise AlreadyMoved("That letter has gone, or is going.")
        _note(db, who, now, row.order_id, row.id, "not sent")


def hold_news(database: Database, order_id: int, who: Person, now: int) -> None:
    """Keep an order's news back until somebody lets it go. Raises AlreadyMoved."""
    _news(database, _HOLD_NEWS, order_id, who, now, "news held", why=BY_HAND)


def let_news_go(database: Database, order_id: int, who: Person, now: int) -> None:
    """Let an order's held news go with its next letter. Raises AlreadyMoved."""
    _news(database, _LET_NEWS_GO, order_id, who, now, "news let go")


def _news(
    database: Database, act: Any, order_id: int, who: Person, now: int, said: str, **more: str
) -> None:
    with database.writing() as db:
        if not db.execute(act, {"order_id": order_id, "now": now, **more}).rowcount:
            raise AlreadyMoved("That is so already.")
        _note(db, who, now, order_id, 0, said)


def stop_news(database: Database, news_id: int, who: Person, now: int) -> None:
    """Let a piece of news, a reminder say, never go. Raises NotFound, AlreadyMoved."""
    with database.writing() as db:
        row = db.execute(_NEWS_ORDER, {"id": news_id}).first()
        if row is None:
            raise NotFound("There is no such news.")
        if not db.execute(_STOP_NEWS, {"id": news_id, "now": now, "why": NOT_SENT}).rowcount:
            raise AlreadyMoved("That has been told, or was stopped already.")
        _note(db, who, now, row.order_id, 0, f"{row.kind} stopped")


def _row(db: Connection, letter_id: int) -> Any:
    row = db.execute(_ONE, {"id": letter_id}).first()
    if row is None:
        raise NotFound("There is no such letter.")
    return row


def _note(
    db: Connection, who: Person, now: int, order_id: int | None, letter_id: int, said: str
) -> None:
    """Keep who did it; never to whom the letter goes or what it says."""
    values = {"at": now, "account_id": who.account_id, "of": "letters", "of_id": letter_id}
    db.execute(insert(changes).values(**values, order_id=order_id, field="letter", after=said))


# ---------------------------------------------------------------- off after a restore

_OFF_SINCE = text(f"SELECT value FROM settings WHERE name = '{OFF}'")  # noqa: S608
_TURN_OFF = text(
    "INSERT INTO settings (name, value, changed_at) VALUES (:name, :value, :now)"
    " ON CONFLICT (name) DO UPDATE SET value = :value, changed_at = :now, changed_by_id = NULL"
)
_TURN_ON = text("DELETE FROM settings WHERE name = :name")
_HOLD_OLD = text(
    "UPDATE letters SET state = 'held', claim = '', lease_until = NULL, why = :why"
    " WHERE state IN ('waiting', 'sending') AND (formed_at <= :since"
    " OR id IN (SELECT letter_id FROM news WHERE at <= :since))"
)
_HOLD_OLD_NEWS = text(
    f"UPDATE news SET held_at = :now, held_why = :why WHERE {_NEWS}"  # noqa: S608
    " AND held_at IS NULL AND at <= :since"
)


def off_since(db: Connection) -> int | None:
    """Since when no letter leaves, by a restore; None where they do."""
    value = db.execute(_OFF_SINCE).scalar()
    return int(json.loads(value)) if value is not None else None


def turn_off(db: Connection, now: int) -> None:
    """After a restore: no letter leaves until the owner says yes."""
    db.execute(_TURN_OFF, {"name": OFF, "value": json.dumps(now), "now": now})


def turn_on(database: Database, who: Person, now: int) -> None:
    """The owner's yes. What the backup still had waiting may have gone since it was made: it is
    held, to be read first. Raises AlreadyMoved."""
    with database.writing() as db:
        since = off_since(db)
        if since is None:
            raise AlreadyMoved("Letters leave already.")
        held = {"why": BEFORE_RESTORE, "since": since, "now": now}
        db.execute(_HOLD_OLD, held)
        db.execute(_HOLD_OLD_NEWS, held)
        db.execute(_TURN_ON, {"name": OFF})
        _note(db, who, now, None, 0, "sending turned on again")
    _log.info("account %s turned sending on again", who.account_id)
