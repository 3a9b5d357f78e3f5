"""Photo reminders of animals whose photos are wanted: which went, and when the next one goes."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, text

from app.letters import rules, store
from app.letters.forming import posting_of
from app.letters.rules import Posting
from app.studio.workshop import InForce

_NOTED = text(
    "SELECT n.id, n.order_id, n.letter, n.round, n.at, n.told_at, n.held_at, l.sent_at"
    " FROM news n LEFT JOIN letters l ON l.id = n.letter_id"
    " WHERE n.kind = 'photo_reminder' AND n.taken_back_at IS NULL"
    " AND n.order_id IN (SELECT order_id FROM models WHERE step = 'photos_wanted' AND open = 1)"
    " ORDER BY n.round"
)


@dataclass(slots=True)
class Reminded:
    """An animal's reminders since its photos were last asked for: how many went, the last when;
    when the next goes (None: no more, or not by itself), by which news it can be stopped, and
    whether that one waits for a person's read.
    """

    sent: int = 0
    last_at: int | None = None
    next_at: int | None = None
    news_id: int | None = None
    held: bool = False

    @property
    def spent(self) -> bool:
        """Whether all of them went, and a person decides."""
        return self.sent >= len(rules.REMIND_AFTER_DAYS)


def reminders(db: Connection, in_force: InForce, now: int) -> dict[tuple[int, str], Reminded]:
    """By order and letter, every animal whose photos were asked for by a letter: two queries."""
    posting = posting_of(in_force)
    noted: dict[tuple[int, str], list[Any]] = {}
    for row in db.execute(_NOTED):
        noted.setdefault((row.order_id, row.letter), []).append(row)
    found: dict[tuple[int, str], Reminded] = {}
    for asked in store.photos_asked(db):
        rows = [
            row for row in noted.get((asked.order_id, asked.letter), ())
            if row.round // 10 == asked.attempts
        ]  # fmt: skip
        found[asked.order_id, asked.letter] = _reminded(asked, rows, posting, now)
    return found


def _reminded(asked: Any, rows: list[Any], posting: Posting, now: int) -> Reminded:
    went = [row.sent_at for row in rows if row.sent_at is not None]
    waiting = next((row for row in rows if row.told_at is None), None)
    if waiting is not None:
        at = posting.next(max(now, waiting.at + rules.GRACE))
        return Reminded(
            len(went), max(went, default=None), at, waiting.id, waiting.held_at is not None
        )
    numbers = {row.round % 10 for row in rows}
    days = rules.reminder_days(posting.calendar.day_of(asked.asked_at), posting.calendar)
    ahead = [
        posting.opens(day) for number, day in enumerate(days, start=1)
        if number not in numbers and posting.opens(day) > now
    ]  # fmt: skip
    return Reminded(len(went), max(went, default=None), ahead[0] if ahead else None)
