"""The page Write to the customer: a letter about an act, read first and sent by a person."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.desk import writing
from app.letters import worker
from app.letters.letter import Part
from app.letters.wording import CALLED
from app.orders.facts.gather import facts_of
from app.orders.order import store as order_store
from app.shared.errors import BadFields
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.get("/orders/{number:int}/write/{kind}/{act:int}", name="write_customer")
def write(
    request: Request, workshop: TheWorkshop, number: RowId, kind: str, act: RowId
) -> Response:
    """The letter about an act as it would go."""
    return _page(request, workshop, number, Part(kind, round=act))


@router.post("/orders/{number:int}/write/{kind}/{act:int}", name="write_customer_do")
def write_do(
    request: Request, workshop: TheWorkshop, me: Me, number: RowId, kind: str, act: RowId,
    form: Filled,
) -> Response:  # fmt: skip
    """Show the letter with a line of one's own; or, from that page, send it."""
    typed, part = form.plain(), Part(kind, round=act)
    try:
        part = Part(kind, round=act, line=check(writing.LineFields, typed).line)
    except BadFields as why:
        return _page(request, workshop, number, part, typed.get("line", ""), why.fields)
    if form.get("act") != "tell":
        return _page(request, workshop, number, part, part.line)
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
    writing.tell(workshop, order_id, part, me)
    return go(request, f"/orders/{number}?done=to_go#letters")


def _page(
    request: Request, workshop: Workshop, number: int, part: Part, line: str = "",
    errors: dict[str, str] | None = None,
) -> Response:  # fmt: skip
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
        facts, link = facts_of(db, order_id, in_force, now), worker.linked_of(workshop)
        writing.check_open(db, facts, part)
        said = writing.letter(facts, part, in_force, now, link(db, order_id))
    context = {
        "number": number,
        "about": CALLED[part.kind],
        "said": said,
        "working_out": part.kind == "made_again" and facts.working_out,
        "line": part.line,
        "typed": {"line": line},
        "errors": errors or {},
    }
    return render(request, "desk/write.html", context, 422 if errors else 200)
