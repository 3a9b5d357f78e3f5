"""Aftercare: what was lost, arrived damaged, is not right or came back, and what we do then."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect
from starlette.responses import Response

from app.orders.order.store import names
from app.parcels import aftercare, aftercare_store
from app.parcels.aftercare import DECIDED, KINDS, MEND_AT, SAID_BY
from app.photos.intake.upload import receive_one
from app.photos.release.actions import jpeg_of, take_off
from app.shared.errors import AlreadyMoved, BadFields, NotAllowed, NotFound, Refused
from app.shared.text import whole_numbers
from app.shared.web.forms import Filled, Form, check
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, new_once, render, sent
from app.studio.web import AskedId, Me, RowId, TheWorkshop
from app.studio.workshop import Workshop
from app.tables import aftercare_pictures

router = APIRouter()


@router.get("/aftercare", name="aftercare")
def aftercare_list(request: Request, workshop: TheWorkshop) -> Response:
    """Open cases, the first to claim for first, and those that were closed last."""
    now, in_force = workshop.now(), workshop.in_force()
    with workshop.database.reading() as db:
        open_, closed = aftercare_store.cases(db)
    context = {
        "open": open_,
        "closed": closed,
        "kinds": KINDS,
        "decisions": DECIDED,
        "now": now,
        "today": in_force.calendar.day_of(now),
        "zone": in_force.settings.zone_info(),
    }
    return render(request, "parcels/aftercare.html", context)


@router.get("/aftercare/new", name="new_case")
def new_case(
    request: Request, workshop: TheWorkshop, copy: AskedId = 0, parcel: AskedId = 0,
    order: AskedId = 0,
) -> Response:  # fmt: skip
    """The form for a case, from a piece, a parcel or an order."""
    with workshop.database.reading() as db:
        found = _asked(db, copy, parcel, order)
    return _new(request, found)


def _asked(db: Any, copy: int, parcel: int, order: int) -> Any:
    if copy:
        return aftercare_store.copies_of(db, [copy])
    return aftercare_store.gone(db, number=order, parcel=parcel)


def _new(
    request: Request, found: Any, form: Form | None = None, errors: dict[str, str] | None = None,
    status: int = 200,
) -> Response:  # fmt: skip
    if not found:
        raise NotFound("Nothing of that has left the house, so nothing can be lost or come back.")
    ticked = set(form.many("copy")) if form else {str(found[0].id)} if len(found) == 1 else set()
    context = {
        "found": found,
        "ticked": ticked,
        "typed": form.plain() if form else {},
        "errors": errors or {},
        "kinds": KINDS,
        "said_by": SAID_BY,
    }
    return render(request, "parcels/aftercare_new.html", context, status)


@router.post("/aftercare/new", name="open_case")
def open_case(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Open a case."""
    ids = whole_numbers(form.many("copy"))
    try:
        typed = check(aftercare.CaseFields, form.plain())
        made = aftercare.open_case(workshop, ids, typed, me, form.get("once"))
    except BadFields as why:
        with workshop.database.reading() as db:
            found = aftercare_store.copies_of(db, whole_numbers(form.many("shown")) or ids)
        return _new(request, found, form, why.fields, 422)
    where = f"/aftercare/{made[0]}" if len(made) == 1 else "/aftercare"
    return go(request, f"{where}?done=noted")


@router.get("/aftercare/{case:int}", name="case")
def case_page(request: Request, workshop: TheWorkshop, case: RowId) -> Response:
    """One case."""
    return _case(request, workshop, case)


def _case(
    request: Request, workshop: Workshop, case_id: int, typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None, form: str = "", status: int = 200,
) -> Response:  # fmt: skip
    now, in_force = workshop.now(), workshop.in_force()
    with workshop.database.reading() as db:
        row = aftercare_store.one(db, case_id)
        about = aftercare_store.copies_of_case(db, case_id)
        pictures = aftercare_store.pictures(db, case_id)
        people = names(db)
    context = {
        "c": row,
        "about": about,
        "pictures": pictures,
        "people": people,
        "kinds": KINDS,
        "said_by": SAID_BY,
        "decisions": {k: v for k, v in DECIDED.items() if (row.kind, k) != ("lost", "repair")},
        "decided_words": DECIDED,
        "mend_at": MEND_AT,
        "goes_on": [one for one in about if one.made_id is not None],
        "to_come": [one for one in about if one.made_id is None and one.step == "received"],
        "form": form,
        "typed": typed or {},
        "errors": errors or {},
        "now": now,
        "today": in_force.calendar.day_of(now),
        "zone": in_force.settings.zone_info(),
        "once": new_once(),
    }
    return render(request, "parcels/aftercare_case.html", context, status)


def _act(
    request: Request, workshop: Workshop, case_id: int, form: Form, name: str, act: Any
) -> Response:
    """Do something to a case; a form with something wrong in it comes back as typed."""
    try:
        act()
    except BadFields as why:
        return _case(request, workshop, case_id, form.plain(), why.fields, name, 422)
    return go(request, f"/aftercare/{case_id}?done=saved")


@router.post("/aftercare/{case:int}/decide", name="decide_case")
def decide(request: Request, workshop: TheWorkshop, me: Me, case: RowId, form: Filled) -> Response:
    """Say what is done about it."""
    return _act(
        request, workshop, case, form, "decide",
        lambda: aftercare.decide(
            workshop, case, check(aftercare.DecisionFields, form.plain()), me, form.get("once")
        ),
    )  # fmt: skip


@router.post("/aftercare/{case:int}/mend", name="mend_case")
def mend(request: Request, workshop: TheWorkshop, me: Me, case: RowId, form: Filled) -> Response:
    """What is to be mended is here."""
    return _act(
        request, workshop, case, form, "mend",
        lambda: aftercare.mend(
            workshop, case, check(aftercare.MendFields, form.plain()), me, form.get("once")
        ),
    )  # fmt: skip


@router.post("/aftercare/{case:int}/close", name="close_case")
def close(request: Request, workshop: TheWorkshop, me: Me, case: RowId, form: Filled) -> Response:
    """Close it, open it again, or take back what went on for it."""

    def act() -> None:
        match form.get("act"):
            case "again":
                aftercare.open_again(workshop, case, me)
            case "back":
                aftercare.take_back(workshop, case, me, form.get("once"))
            case _:
                aftercare.close(workshop, case, me)

    return _act(request, workshop, case, form, "decide", act)


@router.post("/case-pictures/{case:int}", name="case_picture_add")
async def add_picture(request: Request, workshop: TheWorkshop, me: Me, case: RowId) -> Response:
    """Keep a picture that the customer sent of what happened."""
    try:
        await receive_one(
            request,
            workshop.folder.pictures,
            lambda file: aftercare.picture(workshop, case, file, me),
        )
    except ClientDisconnect:
        return Response(status_code=400)
    except (NotFound, NotAllowed, AlreadyMoved):
        raise
    except Refused as why:
        return await run_in_threadpool(
            _case, request, workshop, case, None, {"file": str(why)}, "picture", status_of(why)
        )
    return go(request, f"/aftercare/{case}?done=saved")


@router.post("/case-pictures/{picture:int}/off", name="case_picture_off")
def picture_off(request: Request, workshop: TheWorkshop, picture: RowId) -> Response:
    """Remove a picture that does not belong to the case."""
    case_id = take_off(workshop, aftercare_pictures.c.case_id, picture)
    return go(request, f"/aftercare/{case_id}?done=saved")


@router.get("/aftercare/pictures/{picture:int}", name="case_picture")
def picture(workshop: TheWorkshop, picture: RowId) -> Response:
    """A picture of what happened."""
    return sent(jpeg_of(workshop, aftercare_pictures.c.file, picture, aftercare.PICTURES))
