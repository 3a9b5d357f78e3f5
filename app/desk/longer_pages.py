"""The page It takes longer: many customers told with one cause, and what they say to it."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.desk import longer
from app.letters import worker
from app.letters.wording import LetterWords
from app.orders.facts.gather import facts_of
from app.orders.facts.to_tell import to_tell
from app.orders.order import store as order_store
from app.shared.errors import BadFields, Refused
from app.shared.text import whole_numbers
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.post("/orders/{number:int}/letters/later", name="letter_later")
def running_later(request: Request, workshop: TheWorkshop, me: Me, number: RowId) -> Response:
    """Tell the customer that it takes longer: a person's yes to the new days."""
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
    longer.tell(workshop, [order_id], "", me)
    return go(request, f"/orders/{number}/letters?done=noted")


@router.post("/orders/{number:int}/letters/answer", name="longer_answer")
def longer_answer(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, form: Filled
) -> Response:
    """Keep what the customer says to its taking longer."""
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
    said = check(longer.LateAnswerFields, form.plain())
    longer.note_answer(workshop, order_id, said, me)
    if form.get("back") == "/waiting/longer":
        return go(request, "/waiting/longer?done=noted")
    form_open = "&form=cancel#cancel" if said.answer == "cancels" else ""
    return go(request, f"/orders/{number}?done=noted{form_open}")


# ---------------------------------------------------------------- it takes longer, for many


@router.get("/waiting/longer", name="longer")
def longer_page(request: Request, workshop: TheWorkshop) -> Response:
    """Those who should hear that it takes longer, to be ticked, and what those told have said."""
    return _longer(request, workshop, [], {})


@router.post("/waiting/longer", name="longer_tell")
def longer_tell(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Show each letter as it would go; or, from that page, tell them all."""
    numbers, typed = whole_numbers(form.many("order"))[: longer.MOST], form.plain()
    try:
        cause = check(longer.LongerFields, typed).cause
    except BadFields as why:
        return _longer(request, workshop, numbers, typed, why.fields)
    if not numbers:
        return _longer(request, workshop, [], typed, {"": "Tick at least one order."})
    if form.get("act") != "tell":
        return _longer(request, workshop, numbers, typed, look=True)
    with workshop.database.reading() as db:
        ids = [order_store.by_number(db, number) for number in numbers]
    try:
        longer.tell(workshop, ids, cause, me)
    except Refused as why:
        return _longer(request, workshop, numbers, typed, {"": str(why)}, status=409)
    return go(request, "/waiting/longer?done=noted")


def _longer(
    request: Request, workshop: Workshop, ticked: list[int], typed: dict[str, str],
    errors: dict[str, str] | None = None, *, look: bool = False, status: int = 422,
) -> Response:  # fmt: skip
    in_force, now = workshop.in_force(), workshop.now()
    cause = typed.get("cause", "")
    with workshop.database.reading() as db:
        late = to_tell(db, in_force, now)
        said: dict[int, LetterWords] = {}
        for number in ticked if look else ():
            order_id = order_store.by_number(db, number)
            facts, link = facts_of(db, order_id, in_force, now), worker.linked_of(workshop)
            said[number] = longer.letter(facts, cause, in_force, now, link(db, order_id))
        asked = longer.asked(db)
    context = {
        "late": late,
        "said": said,
        "asked": asked,
        "answers": longer.SAID,
        "ticked": ticked,
        "typed": typed,
        "errors": errors or {},
        "now": now,
        "today": in_force.calendar.day_of(now),
        "zone": in_force.settings.zone_info(),
    }
    return render(request, "desk/longer.html", context, status if errors else 200)
