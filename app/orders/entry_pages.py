"""The page on which an order is typed."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.flow.steps import PHOTO_STEPS, STEPS, Step
from app.orders import entry_store, forecasting
from app.orders.actions import take_in
from app.orders.intake import LETTERS, MOST_ANIMALS, Shape, read
from app.shared.errors import BadFields
from app.shared.web.fields import Day, Fields
from app.shared.web.forms import Filled, Form, check
from app.shared.web.templating import go, is_partial, new_once, render
from app.studio.web import AskedId, Me, Shop

router = APIRouter()
_MODEL_STEPS = (*PHOTO_STEPS, Step.FINISHING, Step.READY)
_COPY_STEPS = (
    Step.NOT_BEGUN, Step.BLANK, Step.SHAPING, Step.PAINTING, Step.INSPECTION, Step.PACKING,
    Step.HANDED_OVER,
)  # fmt: skip


@router.get("/orders/new", name="new_order")
def new_order(
    request: Request, shop: Shop, customer: AskedId | None = None, animal: AskedId | None = None
) -> Response:
    """An empty form; with a customer or an animal that is known already where one was named."""
    typed: dict[str, str] = {}
    with shop.house.reading() as db:
        if customer is not None and (known := entry_store.customer(db, customer)):
            typed |= _customer_typed(known)
        if animal is not None and (beast := entry_store.animal(db, animal)):
            typed |= _animal_typed(0, beast)
    return _page(request, shop, typed, Shape([1]))


@router.post("/orders/new", name="save_order")
def save_order(request: Request, shop: Shop, me: Me, form: Filled) -> Response:
    """Save the order, or show the form again with what was typed."""
    typed = form.plain()
    if form.get("more"):
        return _more(request, shop, form)
    if form.get("use"):
        return _use(request, shop, form)
    try:
        once = form.get("once")
        if not once:
            raise BadFields({"": "This form is not complete. Load the page again."})
        taken = take_in(shop, read(typed, shop.studio().calendar.day_of(shop.now())), me, once)
    except BadFields as why:
        return _page(request, shop, typed, Shape.of(typed), why.fields, status=422)
    if form.get("then") == "another":
        return go(request, f"/orders/new?done=saved&after={taken.number}")
    return go(request, f"/orders/{taken.number}?done=saved")


def _more(request: Request, shop: Shop, form: Form) -> Response:
    """One more animal, or one more copy of an animal; everything typed stays."""
    typed, shape = form.plain(), Shape.of(form.plain())
    what, _, number = form.get("more").partition(":")
    if what == "again":
        focus = "taken_on" if typed.get("under_way") == "1" else ""
    elif what == "copy" and number.isdecimal() and int(number) < MOST_ANIMALS:
        n = int(number)
        place = shape.more_copies(n)
        focus = f"a{n}c{place}_size"
        before = f"a{n}c{place - 1}_"
        # The next copy is usually like the one before it, in another size.
        typed |= {f"a{n}c{place}_{k}": typed.get(before + k, "") for k in ("pose", "base")}
    else:
        focus = f"a{shape.more_animals()}_name"
    return _page(request, shop, typed, shape, focus=focus)


def _use(request: Request, shop: Shop, form: Form) -> Response:
    """Take over a customer, or an animal of theirs, that is known already."""
    typed, shape = form.plain(), Shape.of(form.plain())
    what, _, number = form.get("use").partition(":")
    focus = "a0_name"
    with shop.house.reading() as db:
        if what == "nobody":
            typed["customer_id"] = ""
        elif what == "customer" and number.isdecimal():
            known = entry_store.customer(db, int(number[:15]))
            typed |= _customer_typed(known) if known else {}
        elif what == "animal" and number.isdecimal():
            beast = entry_store.animal(db, int(number[:15]))
            n = next(
                (i for i in range(len(shape.copies)) if not typed.get(f"a{i}_name", "").strip()),
                None,
            )
            n = shape.more_animals() if n is None else n
            typed |= _animal_typed(n, beast) if beast else {}
            focus = f"a{n}c0_size"
    return _page(request, shop, typed, shape, focus=focus)


@router.get("/orders/new/customers", name="suggest_customers")
def suggest_customers(request: Request, shop: Shop, name: str = "", mail: str = "") -> Response:
    """Returning customers that may be meant, while a name or mail is typed."""
    typed = name[:120] or mail[:120]
    with shop.house.reading() as db:
        found = entry_store.find_customers(db, typed)
    return render(request, "orders/_known.html", {"found": found})


class ChanceFields(Fields):
    """The day by which an order would be needed."""

    needed_by: Day


@router.get("/orders/new/chance", name="chance")
def chance(request: Request, shop: Shop, needed_by: str = "") -> Response:
    """An honest word on whether an order taken today can be there by a day."""
    try:
        day = check(ChanceFields, {"needed_by": needed_by[:10]}).needed_by
    except BadFields:
        return Response("")
    if day is None:
        return Response("")
    said = forecasting.chance_of_new(shop, day)
    return render(request, "orders/_chance.html", {"said": said})


def _customer_typed(known: entry_store.Known) -> dict[str, str]:
    return {
        "customer_id": str(known.id),
        "name": known.name,
        "address_as": known.address_as,
        "mail": known.mail,
        "phone": known.phone,
    }


def _animal_typed(n: int, beast: entry_store.KnownAnimal) -> dict[str, str]:
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
    shop: Shop,
    typed: dict[str, str],
    shape: Shape,
    errors: dict[str, str] | None = None,
    *,
    focus: str = "",
    status: int = 200,
) -> Response:
    settings = shop.studio().settings
    theirs: list[entry_store.KnownAnimal] = []
    known = None
    if typed.get("customer_id", "").isdecimal():
        with shop.house.reading() as db:
            id_ = int(typed["customer_id"][:15])
            known, theirs = entry_store.customer(db, id_), entry_store.animals_of(db, id_)
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
        "model_steps": [(str(s), STEPS[s].name) for s in _MODEL_STEPS],
        "copy_steps": [(str(s), STEPS[s].name) for s in _COPY_STEPS],
    }
    name = "orders/_order_form.html" if is_partial(request) else "orders/new.html"
    return render(request, name, context, status)
