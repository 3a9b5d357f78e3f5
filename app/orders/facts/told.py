"""Keeping what a customer was shown or told: the track record measures these rows."""

from datetime import date

from sqlalchemy import Connection, insert, text

from app.orders.facts.order import OrderFacts
from app.orders.facts.ranges import Shown
from app.tables import tellings

PAGE = "page"
_SEEN = text(
    "UPDATE tellings SET steps_seen = :steps WHERE id ="
    " (SELECT id FROM tellings WHERE order_id = :order_id ORDER BY at DESC, id DESC LIMIT 1)"
)
_LATER = text(
    "UPDATE forecasts SET later_since = :since"
    " WHERE order_id = :order_id AND later_since IS NOT :since"
)


def tell(
    db: Connection,
    order_id: int,
    shown: Shown,
    *,
    channel: str,
    account_id: int | None,
    now: int,
    steps_seen: int = 0,
    cause: str | None = None,
    answer: str | None = None,
) -> None:
    """Keep that a range (or that it takes longer) was shown or told now, by a page or a person.

    A page says how many step changes it has seen; what a person told held for those of its moment.
    Told that it takes longer comes with its cause and the customer's answer.
    """
    db.execute(
        insert(tellings).values(
            order_id=order_id,
            at=now,
            account_id=account_id,
            channel=channel,
            from_day=_iso(shown.from_day),
            to_day=_iso(shown.to_day),
            write_by=_iso(shown.write_by),
            basis=shown.basis,
            steps_seen=steps_seen,
            cause=cause,
            answer=answer,
        )
    )
    runs_over_since(db, order_id, None)


def still_true(db: Connection, facts: OrderFacts) -> None:
    """Note that the last telling holds at the steps as they are now."""
    db.execute(_SEEN, {"order_id": facts.id, "steps": facts.steps_seen})


def runs_over_since(db: Connection, order_id: int, since: date | None) -> None:
    """Note from which day on the computed end has lain beyond the told one, or that it does not."""
    db.execute(_LATER, {"order_id": order_id, "since": _iso(since)})


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day is not None else None
