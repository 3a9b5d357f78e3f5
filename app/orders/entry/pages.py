"""The page on which an order is typed."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.flow.steps import STARTS, STEPS, Of
from app.orders.entry import store
from app.orders.entry.actions import take_in
from app.orders.entry.form import LETTERS, MOST_ANIMALS, Shape, read
from app.orders.forecast import worker as forecasting
from app.shared.errors import BadFields
from app.shared.text import whole_number
from app.shared.web.fields import Day, Fields
from app.shared.web.forms import Filled, Form, check
from app.shared.web.templating import go, is_partial, new_once, render
from app.studio.web import AskedId, Me, TheWorkshop

router = APIRouter()


@router.get("/orders/new", name="new_order")
def new_order(
    request: Request,
    workshop: TheWorkshop,
    customer: AskedId | None = None,
    animal: AskedId | None = None,
) -> Response:
    """An empty form; with a customer or an animal that is known already where one was named."""
    typed: dict[str, str] = {}
    with workshop.database.reading() as db:
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
        taken = take_in(
            workshop, read(typed, workshop.in_force().calendar.day_of(workshop.now())), me, once
        )
    except BadFields as why:
        return _page(request, workshop, typed, Shape.of(typed), why.fields, status=422)
    if form.get("then") == "another":
        return go(request, f"/orders/new?done=saved&after={taken.number}")
    return go(request, f"/orders/{taken.number}?done=saved")


def _more(request: Request, workshop: TheWorkshop, form: Form) -> Response:
    """One more animal, or one more copy of an animal; everything typed stays."""
    typed, shape = form.plain(), Shape.of(form.plain())
    what, _, typed_number = form.get("more").partition(":")
    n = whole_number(typed_number, MOST_ANIMALS - 1)
    if what == "again":
        focus = "taken_on" if typed.get("under_way") == "1" else ""
    elif what == "copy" and n is not None:
        place = shape.more_copies(n)
        focus = f"a{n}c{place}_size"
        before = f"a{n}c{place - 1}_"
        # The next copy is usually like the one before it, in another size.
        typed |= {f"a{n}c{place}_{k}": typed.get(before + k, "") for k in ("pose", "base")}
    elif what == "copy":
        wrong = {"": "There is no such animal here. Press one of the buttons, please."}
        return _page(request, workshop, typed, shape, wrong, status=422)
    else:
        focus = f"a{shape.more_animals()}_name"
    return _page(request, workshop, typed, shape, focus=focus)


def _use(request: Request, workshop: TheWorkshop, form: Form) -> Response:
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
    """The day by which an order would be needed."""

    needed_by: Day


@router.get("/orders/new/chance", name="chance")
def chance(request: Request, workshop: TheWorkshop, needed_by: str = "") -> Response:
    """An honest word on whether an order taken today can be there by a day."""
    try:
        day = check(ChanceFields, {"needed_by": needed_by[:10]}).needed_by
    except BadFields:
        return Response("")
    if day is None:
        return Response("")
    said = forecasting.chance_of_new(workshop, day)
    return render(request, "orders/entry/_chance.html", {"said": said})


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
        f"a{n}_animal_id": str(beast.id),
        f"a{n}_name": beast.name,
        f"a{n}_kind": beast.kind,
        f"a{n}_sex": beast.sex,
        f"a{n}_life": beast.life,
        f"a{n}_colours": beast.colours,
        f"a{n}_ready_model": "1" if beast.ready else "",
    }


def _page(
    request: Request,
    workshop: TheWorkshop,
    typed: dict[str, str],
    shape: Shape,
    errors: dict[str, str] | None = None,
    *,
    focus: str = "",
    status: int = 200,
) -> Response:
    settings = workshop.in_force().settings
    theirs: list[store.KnownAnimal] = []
    known = None
    if (id_ := whole_number(typed.get("customer_id", ""))) is not None:
        with workshop.database.reading() as db:
            known, theirs = store.customer(db, id_), store.animals_of(db, id_)
    context = {
        "typed": typed,
        "errors": errors or {},
        "shape": shape,
        "letters": LETTERS,
        "focus": focus,
        "once": typed.get("once") or new_once(),
        "known": known,
        "theirs": theirs,
        "after": request.query_params.get("after", "") if request.method == "GET" else "",
        "poses": settings.choices("poses"),
        "bases": settings.choices("bases"),
        "sizes": settings.choices("sizes"),
        "model_steps": [(str(s), STEPS[s].name) for s in STARTS[Of.MODEL]],
        "copy_steps": [(str(s), STEPS[s].name) for s in STARTS[Of.COPY]],
    }
    name = "orders/entry/_order_form.html" if is_partial(request) else "orders/entry/new.html"
    return render(request, name, context, status)
