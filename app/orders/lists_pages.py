"""Pages that list: orders, what waits for customers, customers, animals."""

from datetime import date
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.flow.steps import STEPS, Step
from app.orders import lists_store
from app.orders.lists_store import PAGE
from app.orders.order_store import names
from app.orders.order_view import copy_facts
from app.orders.to_tell import to_tell
from app.shared.web.templating import new_once, render
from app.studio.web import AskedId, RowId, Shop

router = APIRouter()
DAY = 86_400
SILENT_DAYS = 14


@router.get("/orders", name="orders")
def orders(request: Request, shop: Shop, page: AskedId = 0, closed: int = 0) -> Response:
    """Open orders, or closed ones."""
    page = max(0, min(page, 10_000))
    with shop.house.reading() as db:
        read = lists_store.closed_orders if closed else lists_store.open_orders
        rows = read(db, page)
    context = {
        "rows": rows[:PAGE],
        "more": len(rows) > PAGE,
        "page": page,
        "closed": closed,
        "now": shop.now(),
        "zone": shop.studio().settings.zone_info(),
    }
    return render(request, "orders/orders.html", context)


@router.get("/waiting", name="waiting")
def waiting(request: Request, shop: Shop) -> Response:
    """What waits for customers, since when, and whose turn it is."""
    now, studio = shop.now(), shop.studio()
    with shop.house.reading() as db:
        context: dict[str, Any] = {
            "late": to_tell(db, studio, now),
            "photos": lists_store.photos_wanted(db),
            "questions": lists_store.open_questions(db),
            "held": lists_store.held_by_customers(db),
            "silent": lists_store.silent(db, now - SILENT_DAYS * DAY),
        }
    usual, slow, own = shop.pace()[Step.PHOTOS_WANTED]
    context |= {
        "now": now,
        "zone": studio.settings.zone_info(),
        "usual": usual,
        "slow": slow,
        "day": date.fromisoformat,
        "today": studio.calendar.day_of(now),
        "own": own,
        "once": new_once(),
    }
    return render(request, "orders/waiting.html", context)


@router.get("/customers", name="customers")
def customers(request: Request, shop: Shop, q: str = "", page: AskedId = 0) -> Response:
    """Customers by name."""
    page = max(0, min(page, 10_000))
    with shop.house.reading() as db:
        rows = lists_store.customer_list(db, q[:120], page)
    context = {"rows": rows[:PAGE], "more": len(rows) > PAGE, "page": page, "q": q[:120]}
    return render(request, "orders/customers.html", context)


@router.get("/customers/{id_:int}", name="customer")
def customer(request: Request, shop: Shop, id_: RowId) -> Response:
    """One customer: how to reach them, their animals, orders and words exchanged."""
    with shop.house.reading() as db:
        found = lists_store.one_customer(db, id_)
        people = names(db)
    context = {
        **found,
        "people": people,
        "now": shop.now(),
        "zone": shop.studio().settings.zone_info(),
    }
    return render(request, "orders/customer.html", context)


@router.get("/animals/{id_:int}", name="animal")
def animal(request: Request, shop: Shop, id_: RowId) -> Response:
    """One animal: its marks, its models, everything made of it."""
    with shop.house.reading() as db:
        found = lists_store.one_animal(db, id_)
    context = {
        **found,
        "step_names": {str(step): facts.name for step, facts in STEPS.items()},
        "copy_facts": copy_facts,
        "now": shop.now(),
        "zone": shop.studio().settings.zone_info(),
    }
    return render(request, "orders/animal.html", context)
