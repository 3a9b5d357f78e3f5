"""Sending what waits: claim, send, mark. None of the three is inside a transaction of another."""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from sqlalchemy import Connection

from app.letters import outbox, rules, wording
from app.letters.forming import NO_WORDS
from app.letters.letter import letter_from_json, parts_from_json
from app.letters.message import Envelope, Mail, Unsendable, build
from app.letters.outbox import Claimed
from app.letters.post import MailRefused, SenderRefused, TryAgain, Way
from app.letters.trouble import MailTrouble
from app.photos.release.actions import RELEASED, read_kept
from app.photos.release.approvals import files_of
from app.shared import faults
from app.shared.database import Database
from app.shared.errors import NotFound

# An order's status link as it is now, or None where it has none.
Linked = Callable[[Connection, int], str | None]
AT_ONCE = 100
GIFT_SENDER = "Order desk"
_log = logging.getLogger("likewright.letters")


@dataclass(frozen=True, slots=True)
class Office:
    """The studio as it writes: its name and address, the way letters leave, and order links.

    `tagged` says that the mail server takes a sender with the letter's tag in it. `pictures` is the
    folder of that name.
    """

    name: str
    mail: str
    way: Way
    linked: Linked
    pictures: Path
    tagged: bool = False


class Became(StrEnum):
    """What became of a letter in one round."""

    SENT = "sent"
    LATER = "later"
    NOT_REACHED = "not reached"
    DEAD = "dead"
    STOPPED = "stopped"


@dataclass(slots=True)
class Round:
    """One round of sending: what became of each letter, by its id.

    `tried` says that the way out was tried at all, `trouble` what was wrong with it at last.
    """

    became: dict[int, Became]
    tried: bool = False
    trouble: MailTrouble | None = None

    @property
    def reached(self) -> bool:
        """Whether the mail server answered at all (or was not needed)."""
        return Became.NOT_REACHED not in self.became.values()

    @property
    def sent(self) -> int:
        """How many left."""
        return sum(one is Became.SENT for one in self.became.values())


def send_due(
    database: Database,
    office: Office,
    now: Callable[[], int],
    chance: Callable[[], float],
    stopping: Callable[[], bool] = lambda: False,
) -> Round:
    """Send what is due, one after another, each once in a round.

    A mail server that does not answer ends the round; a letter that cannot go holds up no other.
    `chance` gives numbers from 0 to 1.
    """
    done = Round({})
    while len(done.became) < AT_ONCE and not stopping():
        letter_id = outbox.next_due(database, now(), done.became)
        if letter_id is None:
            break
        letter = outbox.claim(database, letter_id, now())
        if letter is None:
            done.became[letter_id] = Became.STOPPED
            continue
        faults.reach("after claim")
        done.became[letter_id] = _send(database, office, letter, now, chance, done)
        if not done.reached:
            break
    return done


def _send(
    database: Database,
    office: Office,
    letter: Claimed,
    now: Callable[[], int],
    chance: Callable[[], float],
    done: Round,
) -> Became:
    if letter.tries > rules.MOST_TRIES:
        # It was being sent each time the house went down, or its server never said a word.
        return _dead(database, letter, "It was tried too often. Somebody needs to look at it.")
    try:
        mail = mail_of(database, office, letter)
    except Unsendable as why:
        return _dead(database, letter, str(why))
    except Exception:
        _log.exception("letter %d could not be put into words", letter.id)
        return _dead(database, letter, NO_WORDS)
    done.tried, done.trouble = True, None
    try:
        office.way(mail, f"{letter.id:06d}-{letter.number}")
    except MailRefused as why:
        return _dead(database, letter, str(why))
    except TryAgain as why:
        if not why.reached:
            done.trouble = MailTrouble(str(why), now(), lasting=isinstance(why, SenderRefused))
        return _later(database, letter, why, now(), chance())
    faults.reach("after the mail server's yes")
    if not outbox.mark_sent(database, letter, now()):
        _log.warning("letter %d went after its lease had ended", letter.id)
    return Became.SENT


def _dead(database: Database, letter: Claimed, why: str) -> Became:
    outbox.mark_dead(database, letter, why)
    _log.warning("letter %d cannot be sent", letter.id)
    return Became.DEAD


def _later(database: Database, letter: Claimed, why: TryAgain, now: int, jitter: float) -> Became:
    if letter.tries >= rules.MOST_TRIES:
        return _dead(database, letter, f"Tried {letter.tries} times. {why}")
    outbox.mark_later(database, letter, str(why), now + rules.wait_after(letter.tries, jitter))
    return Became.LATER if why.reached else Became.NOT_REACHED


def mail_of(database: Database, office: Office, letter: Claimed) -> Mail:
    """The mail as it leaves: its words, with the link made now.

    Raises Unsendable, and ValueError where the words cannot be read.
    """
    parts = parts_from_json(letter.parts)
    kept = letter_from_json(letter.facts, parts)
    with database.reading() as db:
        link = office.linked(db, letter.order_id)
        asked = [part.round for part in parts if part.kind == "question"]
        pictures = files_of(db, asked) if asked else ()
    words = wording.words_of(kept, letter.subject, link)
    envelope = Envelope(
        # Nothing in a list of mails tells that there is a present, or of what.
        from_name=GIFT_SENDER if kept.gift else office.name,
        from_mail=office.mail,
        to_name=letter.to_name,
        to_mail=letter.recipient,
        subject=letter.subject,
        message_id=letter.message_id,
        tag=letter.tag if office.tagged else "",
        formed_at=letter.formed_at,
        first_id=letter.first_id,
    )
    try:
        shown = [read_kept(office.pictures, f"{RELEASED}/{file}") for file in pictures]
    except NotFound as why:
        raise Unsendable("A picture that goes with it is missing. Send the approval anew.") from why
    return build(envelope, words.text, words.html, shown)
