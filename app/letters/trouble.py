"""What is wrong with the mail, kept in the database: a restart must not forget since when."""

import json
from dataclasses import asdict, dataclass

from sqlalchemy import Connection, text

from app.letters import by_hand
from app.shared.database import Database

SAID_AFTER = 3600
_NAME = "mail_trouble"
_KEPT = text(f"SELECT value FROM settings WHERE name = '{_NAME}'")  # noqa: S608
_KEEP = text(
    "INSERT INTO settings (name, value, changed_at) VALUES (:name, :value, :now)"
    " ON CONFLICT (name) DO UPDATE SET value = :value, changed_at = :now"
)
_OVER = text("DELETE FROM settings WHERE name = :name")
_DEAD = text("SELECT count(*) FROM letters WHERE state = 'dead'")


@dataclass(frozen=True, slots=True)
class MailTrouble:
    """Why the mail server takes nothing, and since when (UTC seconds).

    `lasting` says that it will not pass by itself, so that people are told at once.
    """

    why: str
    since: int
    lasting: bool

    def is_said(self, now: int) -> bool:
        """Whether it is time to tell people: many a server is away for some minutes."""
        return self.lasting or now - self.since >= SAID_AFTER


@dataclass(frozen=True, slots=True)
class MailState:
    """How the mail stands: off by a restore since when, the server's trouble, and how many
    letters can never go as they are."""

    off_since: int | None
    trouble: MailTrouble | None
    dead: int


def mail_state(db: Connection) -> MailState:
    """How the mail stands."""
    return MailState(by_hand.off_since(db), _kept(db), db.execute(_DEAD).scalar_one())


def note(database: Database, found: MailTrouble | None) -> None:
    """Keep what a try at the server has shown: trouble, whose first moment stays, or its end."""
    with database.reading() as db:
        kept = _kept(db)
    if found is None and kept is not None:
        with database.writing() as db:
            db.execute(_OVER, {"name": _NAME})
    if found is not None and (
        kept is None or (kept.why, kept.lasting) != (found.why, found.lasting)
    ):
        since = found.since if kept is None else kept.since
        value = json.dumps(asdict(found) | {"since": since})
        with database.writing() as db:
            db.execute(_KEEP, {"name": _NAME, "value": value, "now": found.since})


def _kept(db: Connection) -> MailTrouble | None:
    value = db.execute(_KEPT).scalar()
    return MailTrouble(**json.loads(value)) if value is not None else None
