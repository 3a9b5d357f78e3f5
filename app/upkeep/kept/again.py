"""Letting go again of what an older backup has brought back, at every opening of a studio."""

from sqlalchemy import select

from app import tables as t
from app.shared.web.words import capital, count
from app.studio.workshop import Workshop
from app.upkeep.kept import erased_list, erasing
from app.upkeep.kept.erased_list import PERSON


def let_go(workshop: Workshop) -> list[str]:
    """Erase whom the list beside the key names and the database still knows; gives what to say.

    Nothing has to be settled for it: they were erased once, and what an older backup takes for
    open is over. Raises CannotStart where the list cannot be read.
    """
    gone = {(one.id, one.until) for one in erased_list.read(workshop.folder) if one.what == PERSON}
    if not gone:
        return []
    c = t.customers.c
    known = select(c.id, c.made_at).where(c.erased_at.is_(None), c.joined_into_id.is_(None))
    with workshop.database.reading() as db:
        back = [row.id for row in db.execute(known) if (row.id, row.made_at) in gone]
        still = select(t.orders.c.number).join(t.customers, c.id == t.orders.c.customer_id)
        open_ = still.where(t.orders.c.open == 1, c.id.in_(back))
        orders = [str(number) for number in db.execute(open_).scalars()]
    for customer_id in back:
        with workshop.database.writing() as db:
            erasing.erase_in(db, workshop.folder, customer_id, None, workshop.now(), again=True)
    if not back:
        return []
    said = (
        f"{capital(count(len(back), 'person', 'people'))} who had been erased before: erased again."
    )
    if orders:
        said += f" Orders of theirs that are open once more: {', '.join(orders)}. Cancel them."
    return [said]
