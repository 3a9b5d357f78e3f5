"""The page on which an order is typed."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.flow.approvals.rules import SAID, Approves
from app.flow.steps import STARTS, STEPS, Of
from app.orders.book import room
from app.orders.book import store as book_store
from app.orders.book.drafts import typed_of
from app.orders.book.room import WeekFull
from app.orders.entry import store
from app.orders.entry.actions import LooksKnown, take_in
from app.orders.entry.form import AnimalDetails, read
from app.orders.entry.listing import put_on_list
from app.orders.entry.shape import (
    LETTERS,
    MOST_ANIMALS,
    MOST_COPIES,
    CopyLine,
    Shape,
    bases_of,
    copy_lines,
)
from app.orders.facts import sizes
from app.orders.forecast import worker as forecasting
from app.shared.errors import BadFields
from app.shared.text import whole_number
from app.shared.web.fields import Day, Fields, Line, Short
from app.shared.web.forms import Filled, Form, check
from app.shared.web.templating import go, is_partial, new_once, render
from app.studio.web import AskedId, Me, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.get("/orders/new", name="new_order")
def new_order(
    request: Request,
    workshop: TheWorkshop,
    customer: AskedId | None = None,
    animal: AskedId | None = None,
    listed: AskedId | None = None,
) -> Response:
    """An empty form; with a customer or an animal that is known already where one was named, or
    filled in as typed of an order that is `listed` to wait."""
    typed: dict[str, str] = {}
    with workshop.database.reading() as db:
        if (row := book_store.the_listed(db, listed)) is not None:
            typed = typed_of(row["typed"]) | {
                "customer_id": str(row["customer_id"]), "name": row["customer"],
                "listed": str(row["number"]),
            }  # fmt: skip
            return _page(request, workshop, typed, Shape.of(typed))
        if customer is not None and (known := store.customer(db, customer)):
            typed |= _customer_typed(known)
        if animal is not None and (beast := store.animal(db, animal)):
            typed |= _animal_typed(0, beast)
    return _page(request, workshop, typed, Shape([1]))


@router.post("/orders/new", name="save_order")
def save_order(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Save the order, or show the form again with what was typed."""
    typed = form.plain()
    if form.get("more"):
        return _more(request, workshop, form)
    if form.get("use"):
        return _use(request, workshop, form)
    try:
        once = form.get("once")
        if not once:
            raise BadFields({"": "This form is not complete. Load the page again."})
        if form.get("same"):
            typed |= _who_is_meant(workshop, form.get("same"))
        draft = read(typed, workshop.in_force().calendar.day_of(workshop.now()))
        listed = whole_number(form.get("listed"))
        if form.get("place") == "list":
            taken = put_on_list(workshop, draft, typed, me, once, listed=listed)
            return go(request, f"/book?done=listed#order-{taken.number}")
        over = _why_over(form) if form.get("place") == "over" else ""
        taken = take_in(workshop, draft, me, once, listed=listed, why=over)
    except WeekFull:
        return _page(request, workshop, typed, Shape.of(typed), focus="place", status=422)
    except BadFields as why:
        return _page(request, workshop, typed, Shape.of(typed), why.fields, status=422)
    except LooksKnown as why:
        return _page(request, workshop, typed, Shape.of(typed), asks=why, status=422)
    # Where it was asked who is meant, the form remembers what was wanted after saving.
    if typed.get("then") == "another":
        return go(request, f"/orders/new?done=saved&after={taken.number}")
    return go(request, f"/orders/{taken.number}?done=saved")


class OverFields(Fields):
    """Why an order is taken on although the week is full."""

    why: Line


def _full(
    workshop: Workshop, typed: dict[str, str], lines: list[list[CopyLine]]
) -> WeekFull | None:
    """Whether this week has no room for what is typed, and when it could begin."""
    in_force = workshop.in_force()
    if in_force.settings.intake_limit is None or typed.get("under_way") == "1":
        return None
    many = sum(line.many for animal in lines for line in animal)
    with workshop.database.reading() as db:
        number = whole_number(typed.get("listed", ""))
        waiting = book_store.the_listed(db, number)
        return room.full(db, in_force, workshop.now(), many, waiting)


def _why_over(form: Form) -> str:
    """Why an order is taken on although the week is full. Raises BadFields where nothing is."""
    found = check(OverFields, form.plain())
    if not found.why:
        raise BadFields({"why": "Say why: it stands in the order’s history."})
    return found.why


def _who_is_meant(workshop: Workshop, answer: str) -> dict[str, str]:
    """What the answer to "the same person?" makes of the form: a known customer, or somebody new.

    Raises BadFields where that customer is gone.
    """
    if answer == "nobody":
        return {"customer_id": "", "someone_else": "1"}
    id_ = whole_number(answer)
    with workshop.database.reading() as db:
        known = store.customer(db, id_) if id_ is not None else None
    if known is None:
        raise BadFields({"name": "This customer's record is gone. Choose or type again."})
    return {"customer_id": str(known.id), "name": known.name}


def _more(request: Request, workshop: Workshop, form: Form) -> Response:
    """One more animal, or one more copy of an animal; everything typed stays."""
    typed, shape = form.plain(), Shape.of(form.plain())
    what, _, typed_number = form.get("more").partition(":")
    n = whole_number(typed_number, MOST_ANIMALS - 1)
    if what == "again":
        focus = "taken_on" if typed.get("under_way") == "1" else ""
    elif what == "copy" and n is not None:
        focus = _one_more_copy(typed, shape, n)
    elif what == "copy":
        wrong = {"": "There is no such animal here. Press one of the buttons, please."}
        return _page(request, workshop, typed, shape, wrong, status=422)
    else:
        focus = f"a{shape.more_animals()}_name"
    return _page(request, workshop, typed, shape, focus=focus)


def _one_more_copy(typed: dict[str, str], shape: Shape, animal: int) -> str:
    """Add a line of copies, like the one before it; gives the field to go on at, or "" at the most.

    The next copy is usually like the one before: what differs is typed over.
    """
    lines = dict(enumerate(copy_lines(typed, shape))).get(animal, [])
    if sum(line.many for line in lines) >= MOST_COPIES:
        return ""
    place = shape.more_copies(animal)
    before = f"a{animal}c{place - 1}_"
    for name in ("size", "pose", "base", "finish"):
        typed[f"a{animal}c{place}_{name}"] = typed.get(before + name, "")
    return f"a{animal}c{place}_size"


def _use(request: Request, workshop: Workshop, form: Form) -> Response:
    """Take over a customer, or an animal of theirs, that is known already."""
    typed, shape = form.plain(), Shape.of(form.plain())
    what, _, typed_number = form.get("use").partition(":")
    id_ = whole_number(typed_number)
    focus = "a0_name"
    with workshop.database.reading() as db:
        if what == "nobody":
            typed["customer_id"] = ""
        elif what == "customer" and id_ is not None:
            known = store.customer(db, id_)
            typed |= _customer_typed(known) if known else {}
        elif what == "address" and (theirs := whole_number(typed.get("customer_id", ""))):
            typed |= store.last_address(db, theirs)
            focus = "ship_lines"
        elif what == "animal" and id_ is not None:
            beast = store.animal(db, id_)
            n = next(
                (i for i in range(len(shape.copies)) if not typed.get(f"a{i}_name", "").strip()),
                None,
            )
            n = shape.more_animals() if n is None else n
            typed |= _animal_typed(n, beast) if beast else {}
            focus = f"a{n}c0_size"
    return _page(request, workshop, typed, shape, focus=focus)


@router.get("/orders/new/customers", name="suggest_customers")
def suggest_customers(
    request: Request, workshop: TheWorkshop, name: str = "", mail: str = ""
) -> Response:
    """Returning customers that may be meant, while a name or mail is typed."""
    typed = name[:120] or mail[:120]
    with workshop.database.reading() as db:
        found = store.find_customers(db, typed)
    return render(request, "orders/entry/_known.html", {"found": found})


class ChanceFields(Fields):
    """The day by which an order would be needed, and the country to which it would go."""

    needed_by: Day
    ship_country: Short


@router.get("/orders/new/chance", name="chance")
def chance(
    request: Request, workshop: TheWorkshop, needed_by: str = "", ship_country: str = ""
) -> Response:
    """An honest word on whether an order taken today can be there by a day."""
    said = _chance(workshop, {"needed_by": needed_by[:10], "ship_country": ship_country[:60]})
    return render(request, "orders/entry/_chance.html", {"said": said, "typed": {}})


def _chance(workshop: Workshop, typed: dict[str, str]) -> str:
    try:
        asked = check(ChanceFields, typed)
    except BadFields:
        return ""
    if asked.needed_by is None:
        return ""
    return forecasting.chance_of_new(workshop, asked.needed_by, asked.ship_country)


def _customer_typed(known: store.Known) -> dict[str, str]:
    return {
        "customer_id": str(known.id),
        "name": known.name,
        "address_as": known.address_as,
        "mail": known.mail,
        "phone": known.phone,
    }


def _animal_typed(n: int, beast: store.KnownAnimal) -> dict[str, str]:
    return {
        f"a{n}_animal_id": str(beast.row["id"]),
        **{f"a{n}_{name}": beast.row[name] for name in AnimalDetails.model_fields},
        f"a{n}_ready_model": "1" if beast.ready else "",
    }


def _record(workshop: Workshop, typed: dict[str, str]) -> dict[str, Any]:
    """What is known of the customer whom a form names: record, animals, and last address where the
    form has none."""
    if (id_ := whole_number(typed.get("customer_id", ""))) is None:
        return {"known": None, "theirs": [], "address": {}}
    with workshop.database.reading() as db:
        address = store.last_address(db, id_) if not typed.get("ship_lines") else {}
        return {
            "known": store.customer(db, id_),
            "theirs": store.animals_of(db, id_),
            "address": address,
        }


def _page(
    request: Request,
    workshop: TheWorkshop,
    typed: dict[str, str],
    shape: Shape,
    errors: dict[str, str] | None = None,
    *,
    focus: str = "",
    asks: LooksKnown | None = None,
    status: int = 200,
) -> Response:
    """The form. `asks` names the customer who may be meant, if that has to be said first."""
    in_force, now = workshop.in_force(), workshop.now()
    settings = in_force.settings
    lines = copy_lines(typed, shape)
    context = {
        "typed": typed,
        "errors": errors or {},
        "lines": lines,
        "full": _full(workshop, typed, lines),
        "today": in_force.calendar.day_of(now),
        "bases_of": bases_of(typed, lines),
        "letters": LETTERS,
        "most_animals": MOST_ANIMALS,
        "most_copies": MOST_COPIES,
        "said": _chance(workshop, typed),
        "asks": asks.known if asks else None,
        "asks_by": asks.by if asks else "",
        **_record(workshop, typed),
        "focus": focus,
        "once": typed.get("once") or new_once(),
        "after": request.query_params.get("after", "") if request.method == "GET" else "",
        "poses": settings.choices("poses"),
        "bases": settings.choices("bases"),
        "sizes": settings.choices("sizes"),
        "measured": sizes.CHOICES,
        "approved": SAID[Approves(settings.approves)],
        "model_steps": [(str(s), STEPS[s].name) for s in STARTS[Of.MODEL]],
        "copy_steps": [(str(s), STEPS[s].name) for s in STARTS[Of.COPY]],
    }
    name = "orders/entry/_order_form.html" if is_partial(request) else "orders/entry/new.html"
    return render(request, name, context, status)
