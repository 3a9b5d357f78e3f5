"""Two records, one customer: joining them."""

from sqlalchemy import Connection, func, insert, select, update

from app.flow.changes import change_in
from app.flow.store import mark_stale
from app.orders.lists import store as lists_store
from app.shared.errors import NotFound
from app.shared.people import Person
from app.studio.workshop import Workshop
from app.tables import animals, contacts, customer_mails, customers, orders, past_pieces


def join(workshop: Workshop, keep: int, gone: int, who: Person) -> None:
    """Join a record into another: its orders, animals, mails and words move there.

    Raises NotFound where one of the two is joined already.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        kept = lists_store.one_customer(db, keep)["customer"]
        other = lists_store.one_customer(db, gone)["customer"]
        if kept["joined_into_id"] is not None or other["joined_into_id"] is not None:
            raise NotFound("One of the two has already been merged into another record.")
        for table in (orders, animals, contacts, past_pieces):
            mine = table.c.customer_id == gone
            db.execute(update(table).where(mine).values(customer_id=keep))
        _move_mails(db, keep, gone)
        names = [kept["also_known_as"], other["name"], other["also_known_as"]]
        known = ", ".join(dict.fromkeys(n for n in names if n and n != kept["name"]))
        change_in(db, customers, keep, None, {"also_known_as": known}, who, now)
        change_in(db, customers, gone, None, {"joined_into_id": keep}, who, now)
        of_customer = select(orders.c.id).where(orders.c.customer_id == keep, orders.c.open == 1)
        mark_stale(db, db.execute(of_customer).scalars())
    workshop.changed.set()


def _move_mails(db: Connection, keep: int, gone: int) -> None:
    """The other record's addresses join; those known already are not doubled."""
    own = select(customer_mails.c.mail_key).where(customer_mails.c.customer_id == keep)
    known = set(db.execute(own).scalars())
    receives = db.execute(
        select(func.max(customer_mails.c.receives)).where(customer_mails.c.customer_id == keep)
    ).scalar()
    for row in db.execute(select(customer_mails).where(customer_mails.c.customer_id == gone)).all():
        if row.mail_key not in known:
            db.execute(
                insert(customer_mails).values(
                    customer_id=keep,
                    mail=row.mail,
                    mail_key=row.mail_key,
                    receives=0 if receives else row.receives,
                )
            )
