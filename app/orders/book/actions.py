"""The waiting list: told a new week, struck off. How an order comes on to it and begins stands in
`app/orders/entry/actions.py`, where orders are taken in."""

from datetime import date
from typing import Annotated

from pydantic import AfterValidator
from sqlalchemy import update

from app.flow import news_rows as news
from app.flow.changes import note
from app.flow.news import OFF_THE_LIST, ON_THE_LIST
from app.flow.store import mark_stale
from app.orders.book import store
from app.orders.book.rules import monday_of
from app.shared.errors import AlreadyMoved, BadFields
from app.shared.people import Person
from app.shared.web.fields import Day, Fields, Line
from app.studio.workshop import Workshop
from app.tables import waiting_list

_FURTHEST_DAYS = 1500


def _needed(value: str) -> str:
    if not value:
        raise ValueError("Say why: it stands in the order’s history.")
    return value


class WeekFields(Fields):
    """A day of the week in which an order is now to begin, and the week its customer was told."""

    begins_on: Day
    told: Day


class OffFields(Fields):
    """Why an order is struck off the list."""

    why: Annotated[Line, AfterValidator(_needed)]


def tell_week(workshop: Workshop, number: int, fields: WeekFields, who: Person) -> None:
    """Tell the customer of an order on the list another week: their page says it at once, and an
    email goes with the next ones. Raises BadFields, NotFound and AlreadyMoved."""
    now = workshop.now()
    today = workshop.in_force().calendar.day_of(now)
    if fields.begins_on is None:
        raise BadFields({"begins_on": "In which week? Any day of it will do."})
    week = monday_of(fields.begins_on)
    if week < monday_of(today) or (week - today).days > _FURTHEST_DAYS:
        raise BadFields({"begins_on": "A day of this week or of one to come, please."})
    with workshop.database.writing() as db:
        row = store.the_listed(db, number)
        assert row is not None
        before = date.fromisoformat(row["begins_on"])
        if fields.told != before:
            raise AlreadyMoved("Somebody told them another week meanwhile. Load the page again.")
        if before == week:
            return
        at = waiting_list.c.order_id == row["order_id"]
        new = {"begins_on": week.isoformat(), "round": row["round"] + 1}
        db.execute(update(waiting_list).where(at).values(**new))
        note(
            db, who.account_id, now, "waiting_list", "begins_on", before, week,
            order_id=row["order_id"],
        )  # fmt: skip
        news.write(db, row["order_id"], ON_THE_LIST, now, round_=row["round"] + 1)
        mark_stale(db, [row["order_id"]])
    workshop.changed.set()


def strike_off(workshop: Workshop, number: int, fields: OffFields, who: Person) -> None:
    """Take an order off the list for good: its page and an email say so. Raises NotFound."""
    now = workshop.now()
    with workshop.database.writing() as db:
        row = store.the_listed(db, number)
        assert row is not None
        at = waiting_list.c.order_id == row["order_id"]
        db.execute(update(waiting_list).where(at).values(off_at=now, why=fields.why))
        note(
            db, who.account_id, now, "waiting_list", "off", None, fields.why,
            order_id=row["order_id"],
        )  # fmt: skip
        news.write(db, row["order_id"], OFF_THE_LIST, now)
        mark_stale(db, [row["order_id"]])
    workshop.changed.set()
