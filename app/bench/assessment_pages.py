"""The assessment of a model: five outcomes, the marks and the views beside the pictures.

A judgement is a move of the piece like any other and goes the way of its page; here it is asked
for with what the check has said at hand.
"""

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.bench import store
from app.bench.actions import MoveFields, move_piece
from app.flow.offers import offers
from app.flow.rules import Kind, Policy, effective, past_the_third
from app.flow.steps import ASKED_AGAIN, PASSED, STEPS, MoveKey, Of
from app.flow.store import Ref
from app.moving.build_times import runs_of
from app.orders.order import history
from app.photos import assessment
from app.photos import store as photos
from app.photos.assessment import CROPS, VIEWS, MarkFields
from app.photos.check import pages as check_pages
from app.shared.errors import BadFields, NotAllowed, NotFound, Refused
from app.shared.people import Role
from app.shared.text import whole_number
from app.shared.web.forms import Filled, Form, check
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
OUTCOMES = PASSED | ASKED_AGAIN | {MoveKey.BUILD_AGAIN}
MOST_SHOWN = 80
EMPTY_LINES = 3
MOST_TYPED = 4_000


@router.get("/assess/{model:int}", name="assess")
def assess_page(request: Request, workshop: TheWorkshop, model: RowId) -> Response:
    """One model beside its pictures. `views` in the address are lines to ask for, one a line."""
    lines = request.query_params.get("views", "")[:MOST_TYPED].splitlines()
    asked = (
        Form([("move", MoveKey.MORE_VIEWS), *(("view", line) for line in lines)]) if lines else None
    )
    return _page(request, workshop, model, asked)


@router.post("/assess/{model:int}", name="assess_do")
def judge(request: Request, workshop: TheWorkshop, me: Me, model: RowId, form: Filled) -> Response:
    """Judge it: one act writes the move, the views asked for or the limits, and the news."""
    typed = form.plain()
    wishes = [" ".join(line.split()) for line in form.many("view") if line.strip()]
    try:
        fields = check(MoveFields, {**typed, "views": "\n".join(wishes)})
        if fields.move not in OUTCOMES:
            raise BadFields({"": "Choose one of the five outcomes."})
        done = move_piece(workshop, Ref(Of.MODEL, model), fields, [], me)
    except BadFields as why:
        return _page(request, workshop, model, form, why.fields, 422)
    except (NotFound, NotAllowed):
        raise
    except Refused as why:
        return _page(request, workshop, model, form, {"": str(why)}, status_of(why))
    return go(request, f"/pieces/model/{model}?done=moved&act={done.act}")


@router.post("/assess/{model:int}/marks", name="assess_marks")
def marks(request: Request, workshop: TheWorkshop, me: Me, model: RowId, form: Filled) -> Response:
    """Complete the marks: where, left or right, must it match."""
    typed = form.plain()
    errors: dict[str, str] = {}
    fields: dict[str, MarkFields] = {}
    with workshop.database.reading() as db:
        keys = [str(id_) for id_ in assessment.marks_of(db, model)]
    for key in [*keys, "new"]:
        prefix = f"m{key}_"
        own = {k.removeprefix(prefix): v for k, v in typed.items() if k.startswith(prefix)}
        if not own:
            continue
        try:
            fields[key] = check(MarkFields, own, prefix)
        except BadFields as why:
            errors |= why.fields
    if errors:
        return _page(request, workshop, model, form, errors, 422)
    assessment.save_marks(workshop, model, fields, me)
    return go(request, f"/assess/{model}?done=saved#marks")


@router.post("/assess/{model:int}/views", name="assess_views")
def views(request: Request, workshop: TheWorkshop, me: Me, model: RowId, form: Filled) -> Response:
    """Name the pictures that are worked from."""
    try:
        assessment.choose_views(workshop, model, _chosen(workshop, model, form), me)
    except BadFields as why:
        return _page(request, workshop, model, form, why.fields, 422)
    return go(request, f"/assess/{model}?done=saved#views")


def _chosen(workshop: Workshop, model: int, form: Form) -> dict[str, tuple[int, str]]:
    """By view, the picture typed by its number on the page, and what is cut out of it."""
    with workshop.database.reading() as db:
        ids = [row["id"] for row in photos.of_model(db, model)]
        keys = [*VIEWS, *(f"mark:{id_}" for id_ in assessment.marks_of(db, model))]
    found: dict[str, tuple[int, str]] = {}
    for key in keys:
        typed = form.get(f"p_{key}").strip()
        if not typed:
            continue
        number = whole_number(typed)
        if number is None:
            raise BadFields({f"p_{key}": "Enter the number under the photo."})
        if not 0 < number <= len(ids):
            raise BadFields({f"p_{key}": f"Give a photo from 1 to {len(ids)}."})
        found[key] = (ids[number - 1], form.get(f"c_{key}") or "whole")
    return found


def _page(
    request: Request,
    workshop: Workshop,
    model: int,
    form: Form | None = None,
    errors: dict[str, str] | None = None,
    status: int = 200,
) -> Response:
    ref = Ref(Of.MODEL, model)
    studio = workshop.in_force()
    with workshop.database.reading() as db:
        rows = store.read(db, ref)
        pictures = photos.of_model(db, model)
        set_ = check_pages.pictures_of(db, model)
        chosen = assessment.views_of(workshop, db, model)
    typed = form.plain() if form is not None else {}
    numbers = {row["id"]: n for n, row in enumerate(pictures, start=1)}
    context: dict[str, Any] = {
        **_judging(rows, request.state.person.role, studio.settings.blank_on),
        "r": rows,
        "model": model,
        "set": set_,
        "lines": _lines(form, set_),
        "pictures": list(enumerate(pictures[:MOST_SHOWN], start=1)),
        "numbers": numbers,
        "more": max(0, len(pictures) - MOST_SHOWN),
        "views": _view_rows(rows, chosen, numbers, typed),
        "crops": [(key, said) for key, (said, _) in CROPS.items()],
        "typed": typed,
        "errors": errors or {},
        "asked_move": typed.get("move", ""),
    }
    return render(request, "bench/assess.html", context, status)


def _judging(rows: store.PieceRows, role: Role, blank_on: bool) -> dict[str, Any]:
    """What may be judged now, by whom, and what was before."""
    state = rows.piece.state
    knows = Policy(blank_on, rows.animal["life"] == "remembered")
    return {
        "state": state,
        "code": history.code(rows.order["number"], Of.MODEL, rows.piece.letter, 1, 1),
        "step": STEPS[state.step],
        "runs": runs_of(rows.piece.ref.id, rows.log, rows.row["pictures"]),
        "asked_before": _asked_before(rows),
        "offers": {
            offer.key: offer
            for offer in offers(state, role, knows)
            if offer.kind is Kind.MOVE and offer.key in OUTCOMES
        },
        "remembered": knows.remembered,
        "past_third": past_the_third(state),
        "desk_decides": past_the_third(state) and role is Role.BENCH,
    }


def _asked_before(rows: store.PieceRows) -> list[tuple[int, str]]:
    """When pictures were asked for again, and how."""
    words: dict[str, str] = {MoveKey.MORE_VIEWS: "more views", MoveKey.NEW_SET: "a new set"}
    return [(e.happened_at, words[e.move]) for e in effective(rows.log) if e.move in words]


def _lines(form: Form | None, set_: check_pages.SetOfModel) -> list[str]:
    """The request's lines: as typed, else the newest check's advice; and some empty ones."""
    typed = form.many("view") if form is not None else []
    advice = set_.check.advice if set_.check is not None and not set_.check.remembered else []
    lines = [line for line in typed or advice if line.strip()]
    return [*lines, *[""] * EMPTY_LINES]


def _view_rows(
    rows: store.PieceRows,
    chosen: dict[str, assessment.View],
    numbers: dict[int, int],
    typed: dict[str, str],
) -> list[dict[str, Any]]:
    """The views that are worked from, with the picture's number and what is cut out."""
    marks = {f"mark:{mark['id']}": f"Marking: {mark['what']}" for mark in rows.marks}
    found = []
    for key, name in {**VIEWS, **marks}.items():
        view = chosen.get(key)
        number = str(numbers.get(view.picture_id, "")) if view is not None else ""
        crop = view.crop if view is not None else "whole"
        found.append(
            {
                "key": key,
                "name": name,
                "view": view,
                "number": typed.get(f"p_{key}", number),
                "crop": typed.get(f"c_{key}", crop),
            }
        )
    return found
