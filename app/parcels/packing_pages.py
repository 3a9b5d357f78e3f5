"""Packing at the table: today's table, and one parcel while it is packed."""

from collections.abc import Mapping, Sequence
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy.engine import RowMapping
from starlette.responses import Response

from app.flow.after import belongings
from app.orders.order.view import copy_facts
from app.parcels import actions, boxing, courier_pages, packing, rules, store, table
from app.parcels.boxing import Bulk
from app.parcels.packing import MeasureFields, SealFields, Sealing
from app.parcels.store import Contents, Packed
from app.shared.errors import BadFields, NotAllowed, NotFound
from app.shared.people import DESK_AND_OWNER
from app.shared.text import whole_number, whole_numbers
from app.shared.web.forms import Filled, Form, check
from app.shared.web.templating import go, render
from app.staff.rules import same_site
from app.studio.boxes import Box, read_boxes
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@router.get("/parcels", name="parcels")
def parcels(request: Request, workshop: TheWorkshop) -> Response:
    """Today's table: by address what is ready and what holds the rest, and what is in transit."""
    return _table(request, workshop)


def _table(
    request: Request, workshop: Workshop, form: Form | None = None,
    errors: dict[str, str] | None = None, status: int = 200,
) -> Response:  # fmt: skip
    after = workshop.in_force().settings.ask_in_parts_days
    with workshop.database.reading() as db:
        found = table.today(db, workshop.now(), after)
        gone = store.on_the_way(db)
    typed = form.plain() if form else {}
    context = {
        "table": found, "gone": gone, "facts": copy_facts, "rest": rules.REST,
        "ready": rules.ready,
        "ticked": set(form.many("copy")) if form else set(), "errors": errors or {},
        "typed": typed, "at_id": typed.get("at"),
    }  # fmt: skip
    return render(request, "parcels/parcels.html", context, status)


@router.post("/parcels/begin", name="parcel_begin")
def begin(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Begin a parcel with what is ticked."""
    try:
        ids = whole_numbers(form.many("copy"))
        parcel_id = packing.begin(workshop, ids, form.get("reason").strip()[:500], me)
    except BadFields as why:
        return _table(request, workshop, form, why.fields, 422)
    return go(request, f"/parcels/{parcel_id}")


@router.post("/parcels/clear", name="parcel_clear")
def clear(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """See to one reason against leaving: `spelling:order:copy`, `address:order`, `paid:order`,
    `ask:order`. What was typed on the courier's or a parcel's page stands there again."""
    if me.role not in DESK_AND_OWNER:
        raise NotAllowed("Your role doesn’t cover this. Ask the office or the owner.")
    what, _, rest = form.get("clear").partition(":")
    first, _, second = rest.partition(":")
    order_id, copy_id = whole_number(first), whole_number(second)
    if order_id is None or what not in ("address", "spelling", "paid", "ask"):
        raise NotFound("That button was not understood. Load the page again.")
    if what == "ask":
        packing.ask_in_parts(workshop, order_id, me)
    else:
        actions.confirm(workshop, order_id, what, copy_id, me)
    back = same_site(form.get("back", "/parcels"))
    if any(name.startswith("way-") for name in form.lists):
        return courier_pages.page(request, workshop, form=form)
    parcel_id = whole_number(back.removeprefix("/parcels/"))
    if "inner" in form and parcel_id is not None:
        return page(request, workshop, _found(workshop, parcel_id), form=form)
    return go(request, f"{back}?done={'asked' if what == 'ask' else 'saved'}")


# ---------------------------------------------------------------- one parcel being packed


def page(
    request: Request, workshop: Workshop, found: Contents, *, form: Form | None = None,
    errors: Mapping[str, str] | None = None, status: int = 200,
) -> Response:  # fmt: skip
    """The page of a parcel that has not left: what lies in it, its boxes, its pictures."""
    settings = workshop.in_force().settings
    sizes = {piece.row["id"]: _size(piece, found) for piece in found.pieces}
    known = all(sizes.values())
    measured = [size for size in sizes.values() if size is not None]
    boxes = read_boxes(settings.boxes)
    boxed = boxing.choose(measured, boxes) if known else None
    with workshop.database.reading() as db:
        pictures = store.pictures(db, found.row["id"])
        lent = belongings.here(db, {piece.row["order_id"] for piece in found.pieces})
    context = {
        "parcel": found.row, "found": found, "pictures": pictures, "kinds": rules.PICTURES,
        "facts": copy_facts, "fragile": rules.fragile, "belongs": packing.more_than_a_figure,
        "sizes": sizes, "boxed": boxed, "boxes": _options(boxes),
        "least": boxing.least_inside(measured[0]) if known and len(measured) == 1 else "",
        "typed": _stands(found, boxed) | (form.plain() if form else {}), "errors": errors or {},
        "lent": _lent(lent, found.row["id"], form), "ashes_by_post": belongings.ASHES_BY_POST,
        "mounted": _mounted(found) if form is None or "code" in form else set(form.many("mounted")),
    }  # fmt: skip
    return render(request, "parcels/packing.html", context, status)


def _size(piece: Packed, found: Contents) -> Bulk | None:
    """How much room a piece takes: as measured, else guessed; None where nobody knows its size."""
    row, note = piece.row, found.notes[piece.row["id"]]
    sides = [note["length_mm"], note["width_mm"], note["height_mm"]]
    if all(sides):
        return Bulk(*sides)
    if not row["size_mm"]:
        return None
    base = row["base"] not in ("", "none")
    return boxing.guess(row["size_mm"], row["measured"], base=base, animals=piece.animals)


def _lent(
    here: Mapping[int, Sequence[RowMapping]], parcel_id: int, form: Form | None
) -> list[tuple[RowMapping, str, bool]]:
    """What of the customer's is here and goes back by parcel, and whether it lies in this one."""
    ticked = form.many("lent") if form else None
    return [
        (
            row, belongings.named(row),
            str(row["id"]) in ticked if ticked is not None else row["parcel_id"] == parcel_id,
        )
        for rows in here.values()
        for row in rows
        if belongings.to_go_in(row, parcel_id)
    ]  # fmt: skip


def _options(boxes: list[Box]) -> list[tuple[str, str]]:
    return [("", "another box"), *((str(box), f"{box} cm") for box in boxes)]


def _stands(found: Contents, boxed: boxing.Boxed | None) -> dict[str, str]:
    row = found.row
    typed = {
        "inner": row["inner_box"] or (str(boxed.inner) if boxed else ""),
        "outer": row["outer_box"] or (str(boxed.outer) if boxed else ""),
        "care_card": "1" if row["care_card"] else "",
        "note": row["note"],
    }
    for copy_id, note in found.notes.items():
        for side in ("length", "width", "height"):
            typed[f"{side}-{copy_id}"] = str(note[f"{side}_mm"] or "")
    return typed


def _mounted(found: Contents) -> set[str]:
    return {str(copy_id) for copy_id, note in found.notes.items() if note["mounted"]}


def _found(workshop: Workshop, parcel_id: int) -> Contents:
    with workshop.database.reading() as db:
        return store.contents(db, parcel_id, workshop.now())


@router.post("/parcels/{parcel:int}/put", name="parcel_put")
def put(request: Request, workshop: TheWorkshop, me: Me, parcel: RowId, form: Filled) -> Response:
    """Put a scanned or typed piece in."""
    try:
        packing.put_in(workshop, parcel, form.get("code"), form.get("reason").strip()[:500], me)
    except BadFields as why:
        found = _found(workshop, parcel)
        return page(request, workshop, found, form=form, errors=why.fields, status=422)
    return go(request, f"/parcels/{parcel}#scan")


@router.post("/parcels/{parcel:int}/out", name="parcel_out")
def out(request: Request, workshop: TheWorkshop, me: Me, parcel: RowId, form: Filled) -> Response:
    """Take a piece out again."""
    packing.take_out(workshop, parcel, whole_number(form.get("copy")) or 0, me)
    return go(request, f"/parcels/{parcel}?done=saved")


@router.post("/parcels/{parcel:int}/measures", name="parcel_measures")
def measures(
    request: Request, workshop: TheWorkshop, me: Me, parcel: RowId, form: Filled
) -> Response:
    """Keep what was typed, and choose the boxes by it."""
    found = _found(workshop, parcel)
    try:
        packing.measure(workshop, parcel, _sealing(form, found, boxes=False))
    except BadFields as why:
        return page(request, workshop, found, form=form, errors=why.fields, status=422)
    return go(request, f"/parcels/{parcel}?done=saved")


@router.post("/parcels/{parcel:int}/seal", name="parcel_seal")
def seal(request: Request, workshop: TheWorkshop, me: Me, parcel: RowId, form: Filled) -> Response:
    """Close it."""
    found = _found(workshop, parcel)
    try:
        packing.seal(workshop, parcel, _sealing(form, found, boxes=True), me)
    except BadFields as why:
        return page(request, workshop, found, form=form, errors=why.fields, status=422)
    return go(request, f"/parcels/{parcel}?done=saved")


def _sealing(form: Form, found: Contents, *, boxes: bool) -> Sealing:
    """What was typed of a parcel and its pieces. Raises BadFields with all that is wrong."""
    typed = form.plain()
    wrong: dict[str, str] = {}
    ticked = set(form.many("mounted"))
    pieces: dict[int, MeasureFields] = {}
    for copy_id in found.notes:
        values: dict[str, Any] = {
            side: typed.get(f"{side}-{copy_id}", "") for side in ("length", "width", "height")
        }
        values["mounted"] = "1" if str(copy_id) in ticked else ""
        try:
            pieces[copy_id] = check(MeasureFields, values)
        except BadFields as why:
            wrong |= {f"{name}-{copy_id}": said for name, said in why.fields.items()}
    try:
        # A box that was proposed for other measures is not kept with new ones.
        kept = typed if boxes else {**typed, "inner": "", "outer": ""}
        parcel = check(SealFields, kept)
    except BadFields as why:
        wrong |= why.fields
    if wrong:
        raise BadFields(wrong)
    return Sealing(parcel, pieces, whole_numbers(form.many("lent")))


@router.post("/parcels/{parcel:int}/open", name="parcel_open")
def open_again(request: Request, workshop: TheWorkshop, me: Me, parcel: RowId) -> Response:
    """A sealed one is packed again."""
    packing.open_again(workshop, parcel)
    return go(request, f"/parcels/{parcel}")


@router.post("/parcels/{parcel:int}/not-needed", name="parcel_not_needed")
def not_needed(request: Request, workshop: TheWorkshop, me: Me, parcel: RowId) -> Response:
    """An empty one is not made after all."""
    packing.not_needed(workshop, parcel)
    return go(request, "/parcels?done=saved")
