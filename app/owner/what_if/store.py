"""Questions to the simulation, in the tables."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from app.tables import accounts, what_ifs

# What is asked to have the ready changes worked out now.
READY = '"ready"'
# What is worked out beside them: what the waiting at each step was made of.
WAITS = '"waits"'
_W = what_ifs.c
_OWN = _W.account_id.is_not(None) & _W.dropped_at.is_(None)


@dataclass(frozen=True, slots=True)
class KeptAsk:
    """A question with its answer (`found`, empty while there is none) and why there is none."""

    id: int
    name: str
    settings: Sequence[str]
    state: str
    found: dict[str, Any]
    why: str
    asked_at: int
    done_at: int | None
    made_on: str | None
    who: str


def _kept(row: Any) -> KeptAsk:
    return KeptAsk(
        row.id, row.name, json.loads(row.settings), row.state,
        json.loads(row.found) if row.found else {}, row.why, row.asked_at, row.done_at,
        row.made_on, row.who or "",
    )  # fmt: skip


def _rows(db: Connection, where: Any) -> list[KeptAsk]:
    query = select(what_ifs, accounts.c.name.label("who")).outerjoin(
        accounts, accounts.c.id == _W.account_id
    )
    return [_kept(row) for row in db.execute(query.where(where).order_by(_W.id))]


def of_tonight(db: Connection) -> list[KeptAsk]:
    """The ready changes as they were last worked out."""
    return _rows(db, _W.account_id.is_(None) & (_W.settings != WAITS))


def waits(db: Connection) -> tuple[Sequence[Mapping[str, Any]], int]:
    """What the waiting at each step was made of (WaitSplit by its fields) and as of when; nothing
    and 0 before the first night."""
    query = select(_W.found, _W.done_at).where(_W.settings == WAITS)
    row = db.execute(query).first()
    return (json.loads(row.found), row.done_at) if row else ((), 0)


def own(db: Connection) -> list[KeptAsk]:
    """What people asked, the newest first."""
    return _rows(db, _OWN & (_W.settings != READY))[::-1]


def waiting(db: Connection) -> tuple[list[KeptAsk], bool]:
    """What waits to be worked out, and whether the ready changes do."""
    rows = _rows(db, _OWN & (_W.state == "waiting"))
    return [one for one in rows if one.settings != "ready"], any(
        one.settings == "ready" for one in rows
    )


def newest_ready(db: Connection) -> int | None:
    """When the ready changes were last worked out."""
    query = select(func.max(_W.done_at)).where(_W.account_id.is_(None))
    return db.execute(query).scalar()


def ask(db: Connection, name: str, settings: str, who: int | None, now: int) -> int:
    """Keep a question; gives its number."""
    new = insert(what_ifs).values(name=name, settings=settings, asked_at=now, account_id=who)
    return int(db.execute(new.returning(_W.id)).scalar_one())


def answered(db: Connection, id_: int, found: str, why: str, now: int) -> None:
    """Keep the answer to a question, or why there is none."""
    said = {"found": found, "why": why, "done_at": now, "state": "done" if found else "failed"}
    db.execute(update(what_ifs).where(_W.id == id_).values(**said))


def replace_ready(db: Connection, rows: Sequence[dict[str, Any]], now: int) -> None:
    """The ready changes as just worked out, in place of the last ones; nobody waits for them."""
    db.execute(delete(what_ifs).where(_W.account_id.is_(None) | (_W.settings == READY)))
    if rows:
        db.execute(insert(what_ifs), [{**row, "asked_at": now, "done_at": now} for row in rows])


def drop(db: Connection, id_: int, now: int) -> bool:
    """Put a question away; whether there was one."""
    mine = update(what_ifs).where(_OWN & (_W.id == id_)).values(dropped_at=now)
    return db.execute(mine).rowcount > 0


def made(db: Connection, id_: int, day: str | None) -> bool:
    """Mark a change as made on a day, or as not made; whether there was one with an answer."""
    mine = update(what_ifs).where(_OWN & (_W.id == id_) & (_W.state == "done"))
    return db.execute(mine.values(made_on=day)).rowcount > 0
