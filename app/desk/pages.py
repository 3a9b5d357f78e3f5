"""The find box and the Answers page."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from app.desk import actions, store
from app.desk.answers import AskedDay, answers
from app.desk.find_store import Finder
from app.desk.finding import sure
from app.desk.recognising import asked_for
from app.letters.forming import teller_of
from app.moving.rules import scanned
from app.orders.facts.gather import facts_of
from app.orders.facts.order import OrderFacts
from app.orders.facts.standing import decision
from app.orders.forecast import worker as forecasting
from app.orders.forecast.chances import how_likely, likely
from app.orders.lists import store as lists_store
from app.orders.order import links
from app.orders.order import store as order_store
from app.orders.order.actions import ContactFields, note_contact
from app.shared.errors import BadFields, NotFound
from app.shared.text import whole_number
from app.shared.web import words
from app.shared.web.fields import Channel, Day, Fields, Line, Words
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.status.voice import Days
from app.status.wording import document
from app.studio.web import AskedId, Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
LONGEST = 4_000
Kind = Annotated[str, Query(max_length=20)]


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
    if (piece := scanned(typed)) is not None:
        return RedirectResponse(f"/pieces/{piece.replace(':', '/')}", 303)
    hits = _finder(request, workshop).up_to_date().find(typed)
    one, asked = sure(hits), asked_for(typed)
    query = f"?asked={asked}#texts" if asked else ""
    if one is not None:
        return RedirectResponse(f"/orders/{one.entry.number}/answers{query}", 303)
    with workshop.database.reading() as db:
        rows = lists_store.orders_by_id(db, [hit.entry.order_id for hit in hits])
    zone = workshop.in_force().settings.zone_info()
    context = {"q": typed, "rows": rows, "asked": query, "now": workshop.now(), "zone": zone}
    return render(request, "desk/find.html", context)


class NotedFields(Fields):
    """What was asked and told: kept with one tap."""

    question: Line
    told: Words
    channel: Channel = "mail"


class DayFields(Fields):
    """The day by which a customer asks whether it can be ready."""

    by: Day


@router.get("/orders/{number:int}/answers", name="answers")
def answers_page(
    request: Request, workshop: TheWorkshop, number: RowId, asked: Kind = "", by: Kind = ""
) -> Response:
    """Where each animal is, what waits for whom, what was told, and ready texts: what a pasted
    message `asked` stands first and open, or the answer to the day that was typed (`by`)."""
    in_force, now = workshop.in_force(), workshop.now()
    day, errors = _asked_day(by, in_force.calendar.day_of(now))
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
        facts = facts_of(db, order_id, in_force, now)
        customer = store.customer(db, order_id)
        token = links.current(db, workshop.folder.key, order_id)
        said = store.said(db, order_id)
        share = store.asked_a_week(db, now)
        chance = forecasting.chance_by(db, workshop, order_id, day) if day is not None else None
    today = in_force.calendar.day_of(now)
    if day is not None:
        asked = "by_a_day"
    needed = _needed_day(facts, workshop, today) if day is None else None
    by_day = AskedDay(day, chance) if day is not None else needed
    days = Days(in_force.calendar, now)
    teller = teller_of(in_force)
    link = f"{workshop.status_url}/{token}/" if token else ""
    context = {
        "number": number,
        "facts": facts,
        "customer": customer,
        "page": document(facts, teller, now),
        "asked": asked,
        "answers": sorted(answers(facts, days, link, by_day), key=lambda text: text.key != asked),
        "typed": {"by": by},
        "errors": errors,
        "likely": likely(chance) if chance is not None else "",
        "by": day,
        "needed_said": _needed_said(facts, workshop, today),
        "said": said,
        "share": share,
        "now": now,
        "today": today,
        "day": date.fromisoformat,
        "zone": in_force.settings.zone_info(),
    }
    return render(request, "desk/answers.html", context, 422 if errors else 200)


def _needed_day(facts: OrderFacts, workshop: Workshop, today: date) -> AskedDay | None:
    """The day by which an order is needed, where that can still be answered with a chance."""
    chance = workshop.chances().get(facts.id)
    if facts.needed_by is None or facts.needed_by < today or facts.left or chance is None:
        return None
    return AskedDay(facts.needed_by, chance, noted=True)


def _needed_said(facts: OrderFacts, workshop: Workshop, today: date) -> str:
    """What the desk reads of the day by which an order is needed."""
    needed = facts.needed_by
    if needed is None or facts.left or not facts.alive or facts.waits is not None:
        return ""
    said = how_likely(needed.isoformat(), workshop.chances().get(facts.id), today)
    return ", ".join(filter(None, (f"Needed by {words.short_day(needed, today)}", said)))


def _asked_day(typed: str, today: date) -> tuple[date | None, dict[str, str]]:
    """The day that was typed, and what is wrong with it."""
    try:
        day = check(DayFields, {"by": typed}).by
    except BadFields as why:
        return None, why.fields
    if day is not None and day <= today:
        return None, {"by": "A day in the future, please."}
    return day, {}


@router.post("/orders/{number:int}/answers", name="note_answer")
def note_answer(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled
) -> Response:
    """Note what was asked, by which way, and what was told, with the range that was shown."""
    fields = check(NotedFields, form.plain())
    if not fields.question:
        raise BadFields({"question": "Enter what was asked."})
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        facts = facts_of(db, order_store.by_number(db, number), in_force, now)
    said = decision(facts, in_force.calendar, now)
    # A range that runs over is not told anew: else each answer would put off telling the truth.
    holds = bool(fields.told) and not said.tell_them and said.later_since is None
    typed = ContactFields(
        channel=fields.channel, asked=fields.question, told=fields.told, from_day=None, to_day=None
    )
    note_contact(workshop, facts.id, typed, me, said.shown if holds else None)
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
        raise NotFound("Choose the record to merge.")
    actions.join(workshop, id_, other, me)
    return go(request, f"/customers/{id_}?done=saved")
