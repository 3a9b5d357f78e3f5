"""The find box and the Answers page."""

from datetime import date
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy import Connection, func, insert, select, update
from starlette.responses import RedirectResponse, Response

from app.desk.answers import answers
from app.desk.find_store import Finder
from app.desk.finding import sure
from app.flow.changes import change_in
from app.flow.store import mark_stale
from app.orders.facts.gather import facts_of
from app.orders.lists import store as lists_store
from app.orders.order import links
from app.orders.order import store as order_store
from app.shared.errors import BadFields, NotFound
from app.shared.text import whole_number
from app.shared.web.fields import Channel, Fields, Line, Words
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.status import wording
from app.status.document import Contact
from app.status.voice import Days
from app.studio.web import AskedId, Me, RowId, TheWorkshop
from app.studio.workshop import InForce, Workshop
from app.tables import animals, contacts, customer_mails, customers, orders, tellings

router = APIRouter()
WEEK = 7 * 86_400
LONGEST = 4_000


def _finder(request: Request, workshop: Workshop) -> Finder:
    """The one index of this server, made when first asked."""
    found: Finder | None = getattr(request.app.state, "finder", None)
    if found is None or found.database is not workshop.database:
        found = request.app.state.finder = Finder(workshop.database)
    return found


@router.get("/find", name="find")
def find(request: Request, workshop: TheWorkshop, q: str = "") -> Response:
    """Whatever one has: straight to the answers where one order is surely meant."""
    typed = q[:LONGEST]
    hits = _finder(request, workshop).up_to_date().find(typed)
    one = sure(hits)
    if one is not None:
        return RedirectResponse(f"/orders/{one.entry.number}/answers", 303)
    with workshop.database.reading() as db:
        rows = lists_store.orders_by_id(db, [hit.entry.order_id for hit in hits])
    zone = workshop.in_force().settings.zone_info()
    context = {"q": typed, "rows": rows, "now": workshop.now(), "zone": zone}
    return render(request, "desk/find.html", context)


class NotedFields(Fields):
    """What was asked and told: kept with one tap."""

    question: Line
    told: Words
    channel: Channel = "mail"


@router.get("/orders/{number:int}/answers", name="answers")
def answers_page(request: Request, workshop: TheWorkshop, number: RowId) -> Response:
    """Where each animal is, what waits for whom, what was told, and ready texts."""
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
        facts = facts_of(db, order_id, in_force, now)
        row = db.execute(
            select(customers.c.id, customers.c.name)
            .join(orders, orders.c.customer_id == customers.c.id)
            .where(orders.c.id == order_id)
        ).one()
        token = links.current(db, workshop.folder.key, order_id)
        said = _said(db, order_id)
        share = _asked_a_week(db, now)
    days = Days(in_force.calendar, now)
    link = f"{workshop.status_url}/{token}/" if token else ""
    context = {
        "number": number,
        "facts": facts,
        "customer": row,
        "page": wording.document(facts, _teller(in_force), now),
        "answers": answers(facts, days, link),
        "said": said,
        "share": share,
        "now": now,
        "today": in_force.calendar.day_of(now),
        "day": date.fromisoformat,
        "zone": in_force.settings.zone_info(),
    }
    return render(request, "desk/answers.html", context)


def _teller(in_force: InForce) -> wording.Teller:
    s = in_force.settings
    contact = Contact(s.contact_mail, s.contact_phone, s.contact_hours)
    return wording.Teller(s.name, contact, in_force.calendar, s.blank_on)


def _said(db: Connection, order_id: int) -> dict[str, Any]:
    """The last range told, and the last words exchanged."""
    told = db.execute(
        select(tellings).where(tellings.c.order_id == order_id).order_by(tellings.c.id.desc())
    ).first()
    last = db.execute(
        select(contacts).where(contacts.c.order_id == order_id).order_by(contacts.c.at.desc())
    ).first()
    return {"told": told, "last": last}


def _asked_a_week(db: Connection, now: int) -> tuple[int, int]:
    """Questions noted within seven days, and open orders: the figure that proves the tool."""
    asked = db.execute(
        select(func.count())
        .select_from(contacts)
        .where(contacts.c.at > now - WEEK, contacts.c.asked != "")
    ).scalar_one()
    open_orders = db.execute(
        select(func.count()).select_from(orders).where(orders.c.open == 1)
    ).scalar_one()
    return asked, open_orders


@router.post("/orders/{number:int}/answers", name="note_answer")
def note_answer(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled
) -> Response:
    """Note what was asked, by which way, and what was told, with the range that was shown."""
    fields = check(NotedFields, form.plain())
    if not fields.question:
        raise BadFields({"question": "What was asked?"})
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.writing() as db:
        order_id = order_store.by_number(db, number)
        facts = facts_of(db, order_id, in_force, now)
        customer_id = db.execute(
            select(orders.c.customer_id).where(orders.c.id == order_id)
        ).scalar_one()
        db.execute(
            insert(contacts).values(
                customer_id=customer_id, order_id=order_id, at=now, account_id=me.account_id,
                channel=fields.channel, asked=fields.question, told=fields.told,
            )
        )  # fmt: skip
        shown = facts.shown
        if fields.told and shown is not None and shown.from_day and shown.to_day:
            db.execute(
                insert(tellings).values(
                    order_id=order_id, at=now, account_id=me.account_id, channel=fields.channel,
                    from_day=shown.from_day.isoformat(), to_day=shown.to_day.isoformat(),
                    basis=shown.basis, steps_seen=facts.steps_seen,
                )
            )  # fmt: skip
    return go(request, f"/orders/{number}/answers?done=noted")


# ---------------------------------------------------------------- two records, one customer


@router.get("/customers/{id_:int}/join", name="join_customers")
def join_page(
    request: Request, workshop: TheWorkshop, id_: RowId, q: str = "", other: AskedId | None = None
) -> Response:
    """Choose the record that is the same person."""
    with workshop.database.reading() as db:
        one = lists_store.one_customer(db, id_)
        rows = lists_store.customer_list(db, q[:120], 0) if q else []
        two = lists_store.one_customer(db, other) if other is not None else None
    context = {
        "one": one,
        "two": two,
        "q": q[:120],
        "rows": [row for row in rows if row["id"] != id_],
    }
    return render(request, "desk/join.html", context)


@router.post("/customers/{id_:int}/join", name="join_customers_do")
def join(request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled) -> Response:
    """Join another record into this one: its orders, animals, mails and words move here."""
    other = whole_number(form.get("other"))
    if other is None or other == id_:
        raise NotFound("Choose the other record.")
    _join(workshop, id_, other, me.account_id, me)
    return go(request, f"/customers/{id_}?done=saved")


def _join(workshop: Workshop, keep: int, gone: int, by: int | None, me: Me) -> None:
    now = workshop.now()
    with workshop.database.writing() as db:
        kept = lists_store.one_customer(db, keep)["customer"]
        other = lists_store.one_customer(db, gone)["customer"]
        if kept["joined_into_id"] is not None or other["joined_into_id"] is not None:
            raise NotFound("One of the two is joined into another record already.")
        for table in (orders, animals, contacts):
            mine = table.c.customer_id == gone
            db.execute(update(table).where(mine).values(customer_id=keep))
        _move_mails(db, keep, gone)
        names = [kept["also_known_as"], other["name"], other["also_known_as"]]
        known = ", ".join(dict.fromkeys(n for n in names if n and n != kept["name"]))
        change_in(db, customers, keep, None, {"also_known_as": known}, me, now)
        change_in(db, customers, gone, None, {"joined_into_id": keep}, me, now)
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
                    customer_id=keep, mail=row.mail, mail_key=row.mail_key,
                    receives=0 if receives else row.receives,
                )
            )  # fmt: skip
