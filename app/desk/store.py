"""What the Answers page reads besides the order's facts."""

from typing import Any

from sqlalchemy import Connection, func, select

from app.tables import contacts, customers, orders, tellings

WEEK = 7 * 86_400


def customer(db: Connection, order_id: int) -> Any:
    """The id and name of the customer of an order."""
    query = select(customers.c.id, customers.c.name).join(orders)
    return db.execute(query.where(orders.c.id == order_id)).one()


def said(db: Connection, order_id: int) -> dict[str, Any]:
    """The last range told, and the last words exchanged."""
    told = select(tellings).where(tellings.c.order_id == order_id).order_by(tellings.c.id.desc())
    last = select(contacts).where(contacts.c.order_id == order_id).order_by(contacts.c.at.desc())
    return {"told": db.execute(told).first(), "last": db.execute(last).first()}


def asked_a_week(db: Connection, now: int) -> tuple[int, int]:
    """Questions noted within seven days, and open orders: the figure that proves the tool."""
    asked = select(func.count()).where(contacts.c.at > now - WEEK, contacts.c.asked != "")
    in_work = select(func.count()).where(orders.c.open == 1)
    return db.execute(asked).scalar_one(), db.execute(in_work).scalar_one()
