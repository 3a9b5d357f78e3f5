"""Letting go again of what an older backup has brought back, at every opening of a studio."""

from collections.abc import Collection

from sqlalchemy import select

from app import tables as t
from app.shared.web.words import capital, count
from app.studio.workshop import Workshop
from app.upkeep.kept import ending, erased_list, erasing
from app.upkeep.kept.erased_list import PERSON


def let_go(workshop: Workshop) -> list[str]:
    """Let go again what the list beside the key names and the database still has; gives what to
    say. Raises CannotStart where the list cannot be read."""
    listed = erased_list.read(workshop.folder)
    until: dict[str, int] = {}
    for one in listed:
        if one.what != PERSON:
            until[one.what] = max(one.until, until.get(one.what, 0))
    said = []
    if until and ending.let_go(workshop, until, again=True):
        said.append("Photos or emails of which the time was up have been deleted again.")
    gone = {(one.id, one.until) for one in listed if one.what == PERSON}
    return [*said, *_people(workshop, gone)] if gone else said


def _people(workshop: Workshop, gone: Collection[tuple[int, int]]) -> list[str]:
    """Nothing has to be settled for it: they were erased once, and what an older backup takes for
    open is over."""
    c = t.customers.c
    known = select(c.id, c.made_at).where(c.erased_at.is_(None), c.joined_into_id.is_(None))
    with workshop.database.reading() as db:
        back = [row.id for row in db.execute(known) if (row.id, row.made_at) in gone]
        still = select(t.orders.c.number).join(t.customers, c.id == t.orders.c.customer_id)
        open_ = still.where(t.orders.c.open == 1, c.id.in_(back))
        orders = [str(number) for number in db.execute(open_).scalars()]
    if not back:
        return []
    for customer_id in back:
        with workshop.database.writing() as db:
            erasing.erase_in(db, workshop.folder, customer_id, None, workshop.now(), again=True)
    workshop.database.take_in_log()
    who = capital(count(len(back), "person", "people"))
    said = [f"{who} who had been erased before: erased again."]
    if orders:
        said.append(f"Orders of theirs are open once more: {', '.join(orders)}. Cancel them.")
    return said
