"""The photo desk's pages: deliveries, bringing pictures in, whose is which, the pictures."""

import time
from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from sqlalchemy.engine import RowMapping
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import JSONResponse, Response

from app.photos import store
from app.photos.intake import actions, bring_in, inbox, sorting
from app.photos.intake.deliveries import TOPIC, WAYS, against_said, lapse
from app.photos.intake.upload import receive
from app.photos.pictures import files
from app.photos.verdicts import verdict_words
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.text import whole_number, whole_numbers
from app.shared.web.fields import Fields, Line, Number
from app.shared.web.forms import Filled, Form, check
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, is_partial, render, sent
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
_FULL_DISK = "The disk is full. The files before this one are safely here, the rest is not."
Size = Annotated[str, Path(pattern="^(thumb|full)$")]


class CameFields(Fields):
    """Photos that came unannounced."""

    number: Number
    way: Line


# ---------------------------------------------------------------- the list


@router.get("/photos", name="photos")
def photos(request: Request, workshop: TheWorkshop) -> Response:
    """What is expected, what lapses first on top; what was counted and checked lately."""
    return _list(request, workshop)


def _list(
    request: Request,
    workshop: Workshop,
    typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None,
    status: int = 200,
) -> Response:
    in_force, now = workshop.in_force(), workshop.now()
    today = in_force.calendar.day_of(now)
    with workshop.database.reading() as db:
        expected = store.expected(db, TOPIC)
        context: dict[str, Any] = {
            "to_fetch": [(row, lapse(row["lapses_on"], today)) for row in expected],
            "counted": store.counted_lately(db),
            "checks": store.checked_lately(db),
        }
    soon = [found for _, found in context["to_fetch"] if found and found.mark]
    context |= {
        "soon": soon,
        "ways": WAYS,
        "verdict_words": verdict_words,
        "typed": typed or {"way": "card"},
        "errors": errors or {},
    }
    return render(request, "photos/intake/deliveries.html", context, status)


@router.post("/photos/came", name="photos_came")
def came(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Note photos that came unannounced, and go on to bringing them in."""
    typed = form.plain()
    try:
        fields = check(CameFields, typed)
        if fields.number is None:
            raise BadFields({"number": "Which order?"})
        made = actions.came(workshop, fields.number, fields.way, me)
    except NotFound as why:
        return _list(request, workshop, typed, {"number": str(why)}, 422)
    except BadFields as why:
        return _list(request, workshop, typed, why.fields, 422)
    return go(request, f"/photos/deliveries/{made}")


@router.post("/photos/deliveries/{id_:int}/ask", name="photos_ask")
def ask_again(
    request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled
) -> Response:
    """Ask the customer for a new link, in the prepared words."""
    delivery = actions.ask_again(workshop, id_, me, form.get("once"))
    return go(request, f"/orders/{delivery.number}?done=asked#questions")


# ---------------------------------------------------------------- one delivery


@router.get("/photos/deliveries/{id_:int}", name="photo_delivery")
def delivery_page(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """One delivery: what is here, what could not be read, and the ways to bring more in."""
    return _delivery(request, workshop, id_)


def _delivery(
    request: Request, workshop: Workshop, id_: int, said: str = "", status: int = 200
) -> Response:
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        delivery = store.delivery(db, id_)
        pictures = store.of_delivery(db, id_)
        context: dict[str, Any] = {
            "d": delivery,
            "beasts": store.beasts(db, delivery.order_id),
            "pictures": pictures,
            "given": store.given(db, id_),
            "not_read": bring_in.said(store.not_read(db, id_)),
        }
    context |= {
        "against": against_said(len(pictures), delivery.row["files_said"]),
        "lapse": lapse(delivery.row["lapses_on"], in_force.calendar.day_of(now)),
        "way": WAYS.get(delivery.row["way"], delivery.row["way"]),
        "inbox": inbox.folder_of(workshop, delivery.number),
        "said": said or _what_came(request),
    }
    name = (
        "photos/intake/_here.html"
        if is_partial(request) and status == 200
        else "photos/intake/delivery.html"
    )
    return render(request, name, context, status)


def _what_came(request: Request) -> str:
    """The outcome of the upload that led here, as its address tells."""
    numbers = {
        key: number
        for key in ("kept", "known", "not")
        if (number := whole_number(request.query_params.get(key, ""), 999_999)) is not None
    }
    if not numbers:
        return ""
    said = [f"{numbers.get('kept', 0)} new"]
    if numbers.get("known"):
        said.append(f"{numbers['known']} already here")
    if numbers.get("not"):
        said.append(f"{numbers['not']} could not be read (listed below)")
    return f"Added: {', '.join(said)}."


@router.post("/photos/bring/{id_:int}", name="photos_bring")
async def bring(request: Request, workshop: TheWorkshop, me: Me, id_: RowId) -> Response:
    """Take files as they arrive; a browser's script gets JSON, a plain form goes back to the page.

    The only address of the site that takes more than a form's worth: see `main`.
    """
    for_script = "application/json" in request.headers.get("accept", "")
    try:
        brought = await _receive(request, workshop, me, id_)
    except ClientDisconnect:
        return Response(status_code=400)
    except Refused as why:
        if for_script:
            return JSONResponse({"problem": str(why)}, status_of(why))
        if not isinstance(why, BadFields):
            raise
        return await run_in_threadpool(_delivery, request, workshop, id_, str(why), 422)
    except OSError as why:
        if for_script:
            return JSONResponse({"problem": _FULL_DISK}, 507)
        raise HTTPException(507, _FULL_DISK) from why
    if for_script:
        return JSONResponse(brought.as_json())
    return _back(request, id_, brought)


def _back(request: Request, id_: int, brought: bring_in.Brought) -> Response:
    """To the delivery's page, which says what came."""
    counts = brought.counts
    numbers = f"kept={counts[bring_in.KEPT]}&known={counts[bring_in.KNOWN]}"
    return go(request, f"/photos/deliveries/{id_}?{numbers}&not={len(brought.not_read)}")


async def _receive(request: Request, workshop: Workshop, who: Person, id_: int) -> bring_in.Brought:
    brought = bring_in.Brought()

    def find() -> store.Delivery:
        with workshop.database.reading() as db:
            return store.delivery(db, id_)

    bringing = bring_in.Bringing(workshop, await run_in_threadpool(find), who, brought)
    kind = request.headers.get("content-type", "")
    await receive(request.stream(), kind, workshop.folder.pictures, bringing.take)
    if not brought.counts:
        raise BadFields({"": "No file was chosen."})
    return brought


@router.post("/photos/deliveries/{id_:int}/look", name="photos_look")
def look_now(request: Request, workshop: TheWorkshop, me: Me, id_: RowId) -> Response:
    """Look into the order's folder now."""
    with workshop.database.reading() as db:
        delivery = store.delivery(db, id_)
    try:
        brought = inbox.look(workshop, time.time(), me, delivery.number)
    except OSError as why:
        raise HTTPException(507, _FULL_DISK) from why
    return _back(request, id_, brought)


# ---------------------------------------------------------------- whose is which


@router.get("/photos/deliveries/{id_:int}/sorting", name="photo_sorting")
def sorting_page(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """The pictures of a delivery, to be given to the animals of the order."""
    return _sorting(request, workshop, id_)


def _sorting(
    request: Request, workshop: Workshop, id_: int, errors: dict[str, str] | None = None,
    said: str = "", status: int = 200,
) -> Response:  # fmt: skip
    with workshop.database.reading() as db:
        delivery = store.delivery(db, id_)
        pictures = store.of_delivery(db, id_)
        beasts = store.beasts(db, delivery.order_id)
        given = store.given(db, id_)
    letters = {beast.model_id: beast.letter for beast in beasts}
    context = {
        "d": delivery,
        "beasts": beasts,
        "pictures": [(row, _letters(given, letters, row)) for row in pictures],
        "many": {b.model_id: sum(b.model_id in of for of in given.values()) for b in beasts},
        "nobodys": len(pictures) - len(given),
        "runs": sorting.runs([row["taken"] for row in pictures], len(beasts)),
        "waits": _only_one_waits(beasts) if not given else None,
        "against": against_said(len(pictures), delivery.row["files_said"]),
        "errors": errors or {},
        "said": said,
    }
    name = "photos/intake/_sorting.html" if is_partial(request) else "photos/intake/sorting.html"
    return render(request, name, context, status)


def _only_one_waits(beasts: Sequence[store.Beast]) -> store.Beast | None:
    """Of several animals the only one of which photos are wanted: then they are likely all its."""
    wanted = [beast for beast in beasts if beast.wanted]
    return wanted[0] if len(wanted) == 1 < len(beasts) else None


def _letters(given: dict[int, set[int]], letters: dict[int, str], row: RowMapping) -> list[str]:
    return sorted(letters[model] for model in given.get(row["id"], ()) if model in letters)


@router.post("/photos/deliveries/{id_:int}/sorting", name="photos_give")
def give(request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled) -> Response:
    """Give the ticked pictures, or those of a range, to one animal or to nobody."""
    with workshop.database.reading() as db:
        ids = [row["id"] for row in store.of_delivery(db, id_)]
        beasts = store.beasts(db, store.delivery(db, id_).order_id)
    names, also = {b.model_id: b.name for b in beasts}, form.get("also") == "1"
    said = []
    try:
        for one in form.get("give").split(",")[: len(beasts)] or [""]:
            chosen, model_id = _chosen(form, one, ids)
            many = actions.give(workshop, id_, chosen, model_id, also=also)
            said.append(f"{many} assigned to {names.get(model_id or 0, 'none of them')}.")
    except BadFields as why:
        return _sorting(request, workshop, id_, why.fields, status=422)
    return _sorting(request, workshop, id_, said=" ".join(said))


def _chosen(form: Form, give: str, ids: list[int]) -> tuple[list[int], int | None]:
    """Which pictures, and for which model: `give` is "12" or "12:3-40", "0" being nobody."""
    typed, _, part = give.partition(":")
    to = whole_number(typed)
    if to is None:
        raise BadFields({"tick": "Choose an animal."})
    first, _, last = part.partition("-")
    if not part and form.get("first"):
        first, last = form.get("first").strip(), form.get("last").strip()
    if first:
        chosen = [ids[place] for place in sorting.in_range(first, last, len(ids))]
    else:
        ticked = set(whole_numbers(form.many("tick")))
        chosen = [id_ for id_ in ids if id_ in ticked]
    return chosen, to or None


@router.post("/photos/deliveries/{id_:int}/count", name="photos_count")
def count(request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled) -> Response:
    """Whose is which is settled: the pictures are counted, and the models move on."""
    try:
        got = actions.count(workshop, id_, form.get("leave") == "1", me, form.get("once"))
    except BadFields as why:
        return _sorting(request, workshop, id_, why.fields, status=422)
    return go(request, f"/photos/check/{got[0].model_id}?done=noted")


# ---------------------------------------------------------------- the pictures


@router.get("/photos/picture/{id_:int}/{size}", name="picture")
def picture(workshop: TheWorkshop, id_: RowId, size: Size) -> Response:
    """A picture made anew from its pixels, turned upright: nothing of the file's own data in it."""
    with workshop.database.reading() as db:
        row = store.one(db, id_)
    jpeg = files.shown(workshop.folder.pictures, row["sha256"], row["path"], files.SIDES[size])
    if jpeg is None:
        raise NotFound("This photo cannot be shown: its file is missing or damaged.")
    return sent(jpeg)
