"""The courier's visit: sealed parcels leave in one act, each for itself, and the list to sign."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from pydantic import Field
from starlette.responses import Response

from app.parcels import actions, numbers, store, table
from app.parcels.actions import ParcelFields
from app.parcels.moments import typed_moment
from app.shared.errors import AlreadyMoved, BadFields, Refused
from app.shared.text import whole_numbers
from app.shared.web.forms import Filled, Form, check
from app.shared.web.templating import go, render
from app.studio.web import Me, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
Ids = Annotated[tuple[Annotated[int, Field(ge=0, le=2**53)], ...], Query()]
_OWN = ("way", "carrier", "number", "reason", "sure")


@router.get("/parcels/courier", name="courier")
def courier(request: Request, workshop: TheWorkshop, went: Ids = ()) -> Response:
    """Every sealed parcel, with the way it leaves."""
    return page(request, workshop, went=list(went))


@router.post("/parcels/courier", name="courier_hand_over")
def hand_over(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Hand over what is ticked. One that may not leave stays, and keeps no other one here."""
    ids = list(dict.fromkeys(whole_numbers(form.many("parcel"))))
    if not ids:
        said = {"parcel": "Tick the parcels that leave."}
        return page(request, workshop, form=form, errors=said, status=422)
    went: list[int] = []
    errors: dict[str, str] = {}
    late = False
    for id_ in ids:
        try:
            typed = check(ParcelFields, _of(form, id_))
            sent = typed_moment(workshop, typed.sent_on, typed.sent_at, "sent")
            actions.hand_over_sealed(workshop, id_, typed, sent, me, asks=True)
            went.append(id_)
        except AlreadyMoved as why:
            late = True
            errors[f"parcel-{id_}"] = str(why)
        except BadFields as why:
            errors |= {_named(name, id_): said for name, said in why.fields.items()}
        except Refused as why:
            errors[f"parcel-{id_}"] = str(why)
    if errors:
        status = 409 if late and len(errors) == 1 else 422
        return page(request, workshop, form=form, errors=errors, status=status, went=went)
    return go(request, "/parcels/courier?done=moved" + "".join(f"&went={id_}" for id_ in went))


def _of(form: Form, id_: int) -> dict[str, str]:
    """The fields of one parcel, and those that all share."""
    shared = {name: form.get(name) for name in ("sent_on", "sent_at", "once")}
    return shared | {name: form.get(f"{name}-{id_}") for name in _OWN if f"{name}-{id_}" in form}


def _named(name: str, id_: int) -> str:
    """Where an error is shown: at the field of its parcel, or at the moment they all share."""
    if name in ("sent_on", "sent_at"):
        return name
    return f"{name}-{id_}" if name in _OWN else f"parcel-{id_}"


def page(
    request: Request, workshop: Workshop, *, form: Form | None = None,
    errors: dict[str, str] | None = None, status: int = 200, went: list[int] | None = None,
) -> Response:  # fmt: skip
    """The page, with what was typed where a form came back."""
    settings = workshop.in_force().settings
    with workshop.database.reading() as db:
        found = table.today(db, workshop.now(), settings.ask_in_parts_days)
    carriers = [carrier.name for carrier in workshop.in_force().carriers]
    sealed = [
        (row, at, [p for o in at.orders for p in o.pieces if p.parcel_id == row["id"]])
        for at in found.addresses
        for row in at.parcels
        if row["sealed_at"] is not None
    ]
    typed: dict[str, Any] = form.plain() if form else {}
    for row, _, _ in sealed:
        typed.setdefault(f"way-{row['id']}", row["way"])
        typed.setdefault(f"carrier-{row['id']}", row["carrier"] or (carriers or [""])[0])
        typed.setdefault(f"number-{row['id']}", row["number"])
    context = {
        "sealed": sealed, "typed": typed, "errors": errors or {}, "carriers": carriers,
        "texting": [carrier.name for carrier in workshop.in_force().carriers if carrier.texts],
        "ticked": set(form.many("parcel")) if form else None, "went": went or [],
        "warnings": {
            row["id"]: numbers.warning(
                workshop, typed[f"carrier-{row['id']}"], typed[f"number-{row['id']}"]
            )
            for row, _, _ in sealed
        },
    }  # fmt: skip
    return render(request, "parcels/courier.html", context, status)


@router.get("/parcels/list", name="parcel_list")
def parcel_list(request: Request, workshop: TheWorkshop, parcel: Ids = ()) -> Response:
    """The hand-over list to print and have signed: some parcels, or all of today's."""
    calendar = workshop.in_force().calendar
    today = calendar.day_of(workshop.now())
    with workshop.database.reading() as db:
        rows = store.of_list(db, parcel[:200], calendar.start_of(today))
    return render(request, "parcels/list.html", {"rows": rows, "today": today})
