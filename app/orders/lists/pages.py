"""Pages that list: orders, what waits for customers, customers, animals."""

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from app.flow.after.belongings import named
from app.flow.money import Paid
from app.flow.queue import FALLING
from app.flow.steps import STEPS, Of, Step
from app.orders.facts.overdue import overdue
from app.orders.facts.to_tell import to_tell
from app.orders.lists import store
from app.orders.lists.sifting import SHOWS, SORTS, listed, sifting
from app.orders.lists.store import PAGE
from app.orders.lists.waiting import sort_out
from app.orders.order.belongings import WAYS
from app.orders.order.history import code
from app.orders.order.store import names
from app.orders.order.view import copy_facts
from app.shared.calendar import DAY
from app.shared.web.templating import new_once, render
from app.studio.web import AskedId, RowId, TheWorkshop

router = APIRouter()
Word = Annotated[str, Query(max_length=20)]
SILENT_DAYS = 14


@router.get("/orders", name="orders")
def orders(
    request: Request, workshop: TheWorkshop, page: AskedId = 0, closed: AskedId = 0,
    sort: Word = "number", show: Word = "all",
) -> Response:  # fmt: skip
    """Open orders, or closed ones, sorted and sifted as the address says."""
    asked = sifting(sort, show, bool(closed), min(page, 10_000))
    now, in_force = workshop.now(), workshop.in_force()
    today = in_force.calendar.day_of(now)
    chances = workshop.chances()
    at_risk = [order_id for order_id, chance in chances.items() if chance < FALLING]
    with workshop.database.reading() as db:
        rows = store.order_list(db, asked, today.isoformat(), at_risk)
    context = {
        "rows": [listed(row, chances, today) for row in rows[:PAGE]],
        "more": len(rows) > PAGE,
        "asked": asked,
        "sorts": SORTS,
        "shows": SHOWS,
        "now": now,
        "today": today,
        "zone": in_force.settings.zone_info(),
    }
    return render(request, "orders/lists/orders.html", context)


@router.get("/waiting", name="waiting")
def waiting(request: Request, workshop: TheWorkshop) -> Response:
    """What waits for customers, since when, and whose turn it is."""
    now, in_force = workshop.now(), workshop.in_force()
    with workshop.database.reading() as db:
        late = to_tell(db, in_force, now)
        photos, questions = store.photos_wanted(db), store.open_questions(db)
        held, silent = store.held_by_customers(db), store.silent(db, now - SILENT_DAYS * DAY)
        reminded = request.app.state.reminders(db, in_force, now)
        parts = store.parts_to_come(db)
        late_parcels = overdue(db, in_force, now)
    usual, slow, own = workshop.pace()[Step.PHOTOS_WANTED]
    today = in_force.calendar.day_of(now)
    context: dict[str, Any] = {
        "late": late,
        "photos": photos,
        "questions": questions,
        "held": len(held) + sum(bool(row["hold_whose"]) for row in photos),
        "silent": silent,
        "parts": parts,
        "overdue": late_parcels,
        "day": date.fromisoformat,
        "groups": sort_out(photos, questions, held, silent, reminded, today, now, slow),
        "now": now,
        "zone": in_force.settings.zone_info(),
        "usual": usual,
        "slow": slow,
        "day_of": in_force.calendar.day_of,
        "today": today,
        "own": own,
        "once": new_once(),
        "paid": Paid,
    }
    return render(request, "orders/lists/waiting.html", context)


@router.get("/belongings", name="belongings")
def belongings(request: Request, workshop: TheWorkshop) -> Response:
    """Everything of customers' that is in the house: where, and since when."""
    now = workshop.now()
    with workshop.database.reading() as db:
        rows = store.belongings_here(db)
    context = {
        "rows": [(row, named(row)) for row in rows],
        "ways": WAYS,
        "now": now,
        "zone": workshop.in_force().settings.zone_info(),
    }
    return render(request, "orders/lists/belongings.html", context)


@router.get("/customers", name="customers")
def customers(request: Request, workshop: TheWorkshop, q: str = "", page: AskedId = 0) -> Response:
    """Customers by name."""
    page = max(0, min(page, 10_000))
    with workshop.database.reading() as db:
        rows = store.customer_list(db, q[:120], page)
    context = {"rows": rows[:PAGE], "more": len(rows) > PAGE, "page": page, "q": q[:120]}
    return render(request, "orders/lists/customers.html", context)


@router.get("/customers/{id_:int}", name="customer")
def customer(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """One customer: how to reach them, their animals, orders and words exchanged."""
    with workshop.database.reading() as db:
        found = store.one_customer(db, id_)
        people = names(db)
    calendar = workshop.in_force().calendar
    context = {
        **found,
        "people": people,
        "now": workshop.now(),
        "zone": workshop.in_force().settings.zone_info(),
        "day_of": calendar.day_of,
        "today": calendar.day_of(workshop.now()),
    }
    return render(request, "orders/lists/customer.html", context)


@router.get("/animals/{id_:int}", name="animal")
def animal(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """One animal: its marks, its models, everything made of it."""
    with workshop.database.reading() as db:
        found = store.one_animal(db, id_)
        people = names(db)
    context = {
        **found,
        "people": people,
        "codes": {
            row["id"]: code(
                row["order_number"],
                Of.COPY,
                row["letter"],
                row["number"],
                row["making"],
                mends=bool(row["mends"]),
            )
            for row in found["copies"]
        },
        "step_names": {str(step): facts.name for step, facts in STEPS.items()},
        "copy_facts": copy_facts,
        "now": workshop.now(),
        "zone": workshop.in_force().settings.zone_info(),
    }
    return render(request, "orders/lists/animal.html", context)
