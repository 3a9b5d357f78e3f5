"""Putting an order on the waiting list, in place of taking it in."""

import json
from collections.abc import Mapping

from sqlalchemy import insert, update

from app.flow import news_rows as news
from app.flow.news import ON_THE_LIST
from app.flow.store import mark_stale
from app.orders.book import store
from app.orders.entry.actions import Taken, customer_of, known, order_row
from app.orders.entry.form import Draft
from app.orders.order import links
from app.shared.errors import BadFields
from app.shared.people import Person
from app.studio.workshop import Workshop
from app.tables import waiting_list

# What a form says of how it is to be saved, and of who may be meant, is no part of the order.
_NOT_KEPT = frozenset({"once", "then", "place", "why", "listed", "same", "use", "more"})


def _to_keep(typed: Mapping[str, str]) -> dict[str, str]:
    return {name: value for name, value in typed.items() if value and name not in _NOT_KEPT}


def put_on_list(
    workshop: Workshop, draft: Draft, typed: Mapping[str, str], who: Person, once: str, *,
    listed: int | None = None,
) -> Taken:  # fmt: skip
    """Keep an order as typed on the waiting list, or keep there what was typed anew (`listed`, by
    its number). Nothing of it is at a bench; its customer gets a page and an email of their own.

    Raises BadFields, LooksKnown and NotFound.
    """
    if draft.order.under_way:
        raise BadFields({"under_way": "An order under way does not wait for its turn."})
    now = workshop.now()
    in_force = workshop.in_force()
    with workshop.database.writing() as db:
        if (before := known(db, once)) is not None:
            return before
        waiting = store.the_listed(db, listed)
        kept = {
            "typed": json.dumps(_to_keep(typed)), "copies": draft.many,
            "typed_on": in_force.calendar.day_of(now).isoformat(),
        }  # fmt: skip
        customer_id = customer_of(db, draft, now)
        taken = order_row(db, workshop, draft, customer_id, now, once, open_=0, waiting=waiting)
        if waiting is not None:
            at = waiting_list.c.order_id == taken.id
            db.execute(update(waiting_list).where(at).values(**kept))
            mark_stale(db, [taken.id])
        else:
            begins = store.book(db, in_force, now).week_for(draft.many)
            db.execute(
                insert(waiting_list).values(
                    order_id=taken.id, put_at=now, account_id=who.account_id,
                    begins_on=begins.isoformat(), **kept,
                )
            )  # fmt: skip
            links.make(db, workshop.folder.key, taken.id, who.account_id, now)
            news.write(db, taken.id, ON_THE_LIST, now, round_=1)
    workshop.changed.set()
    return taken
