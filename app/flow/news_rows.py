"""News rows: written in the transaction of the act that they tell of."""

from collections.abc import Sequence

from sqlalchemy import Connection, bindparam, text

_WRITE = text(
    "INSERT INTO news (order_id, letter, kind, round, at, transition_id, held_at, held_why,"
    " line)"
    " VALUES (:order_id, :letter, :kind, :round, :at, :transition_id, :held_at, :held_why,"
    " :line)"
    " ON CONFLICT (order_id, letter, kind, round) DO UPDATE"
    " SET taken_back_at = NULL, at = excluded.at, transition_id = excluded.transition_id"
    " WHERE taken_back_at IS NOT NULL"
)
_TAKE_BACK = text(
    "UPDATE news SET taken_back_at = :now WHERE transition_id IN :entries AND taken_back_at IS NULL"
).bindparams(bindparam("entries", expanding=True))


def write(
    db: Connection,
    order_id: int,
    kind: str,
    at: int,
    *,
    letter: str = "",
    round_: int = 0,
    transition_id: int | None = None,
    held_why: str | None = None,
    line: str = "",
) -> None:
    """Note a piece of news, unless it was noted before; news taken back may come again.

    With `held_why` it waits for a person's yes; `line` are that person's own words on it.
    """
    db.execute(
        _WRITE,
        {
            "order_id": order_id,
            "letter": letter,
            "kind": kind,
            "round": round_,
            "at": at,
            "transition_id": transition_id,
            "held_at": at if held_why else None,
            "held_why": held_why,
            "line": line or None,
        },
    )


def take_back(db: Connection, entries: Sequence[int], now: int) -> None:
    """Take back the news of some entries of the log."""
    db.execute(_TAKE_BACK, {"entries": list(entries), "now": now})
