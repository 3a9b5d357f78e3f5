"""The piece page: moves as big buttons, marks, cautions, history, corrections."""

from collections.abc import Sequence
from datetime import date, time
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.bench import findings, rules, store
from app.bench.actions import MoveFields, move_piece
from app.bench.curing import choices
from app.flow import parts, questions
from app.flow import store as flow
from app.flow.amendments import Right, correct
from app.flow.approvals.rules import CHANGES
from app.flow.gates import refusal_at
from app.flow.legality import CARRYING
from app.flow.offers import offers
from app.flow.rules import Entry, Kind, Policy, State, effective, fold, past_the_third
from app.flow.steps import STARTS, STEPS, MoveKey, Of, Step, moves_from
from app.flow.store import Ref
from app.moving.build_times import Room, room
from app.moving.effects import AskFirst
from app.moving.machines import all_machines, runs
from app.moving.rules import PHOTOS_AT_PASS, to_tick
from app.orders.benches.words import ASIDE_REASONS, kind_words
from app.orders.forecast.chances import how_likely
from app.orders.order import history
from app.orders.order.photos_told import to_fetch
from app.orders.order.view import copy_facts, model_facts, where
from app.photos import assessment
from app.photos.check.pages import pictures_of
from app.photos.faces import faces
from app.shared.calendar import DAY
from app.shared.errors import BadFields, NotAllowed, NotFound, Refused
from app.shared.people import Person
from app.shared.text import whole_numbers
from app.shared.web import words
from app.shared.web.fields import Day, Fields, Line, Short, Tick
from app.shared.web.forms import Filled, check
from app.shared.web.templating import go, render
from app.staff.rules import same_site
from app.studio.typed import typed_moment
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import InForce, Workshop

router = APIRouter()
MOST_TYPED = 4_000


@router.get("/pieces/{of}/{id_:int}", name="piece")
def piece(request: Request, workshop: TheWorkshop, of: str, id_: RowId) -> Response:
    """One piece. `views` in the address are views to ask for, one a line, and `wrong` a mark (its
    number) or a line of the studio's list that is not right."""
    views = request.query_params.get("views", "")[:MOST_TYPED]
    typed = {"move": MoveKey.MORE_VIEWS, "views": views} if views else None
    return page_of(request, workshop, _ref(of, id_), typed)


@router.post("/pieces/{of}/{id_:int}/move", name="move_piece")
def move(
    request: Request, workshop: TheWorkshop, me: Me, of: str, id_: RowId, form: Filled
) -> Response:
    """Move the piece; a form with something missing comes back as typed."""
    ref = _ref(of, id_)
    typed, ticks = form.plain(), (*form.many("mark"), *form.many("check"))
    try:
        fields = check(MoveFields, typed)
        ticked = whole_numbers(form.many("mark"))
        done = move_piece(workshop, ref, fields, ticked, me, form.many("check"))
    except BadFields as why:
        return page_of(request, workshop, ref, typed, why.fields, ticks, 422)
    except AskFirst as why:
        asked = {"sure": str(why)}
        return page_of(request, workshop, ref, typed, asked, ticks, 422, why.label)
    except (NotFound, NotAllowed):
        raise
    except Refused as why:
        return page_of(request, workshop, ref, typed, {"": str(why)}, ticks, 409)
    back = same_site(form.get("back") or f"/pieces/{of}/{id_}")
    joined = "&" if "?" in back else "?"
    return go(request, f"{back}{joined}done=moved&act={done.act}")


def _ref(of: str, id_: int) -> Ref:
    return Ref.read(f"{of}:{id_}")


def page_of(
    request: Request,
    workshop: Workshop,
    ref: Ref,
    typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None,
    ticked: Sequence[str] = (),
    status: int = 200,
    yes: str = "",
) -> Response:
    """The page of a piece, with what was typed into a form of it and what is wrong with that."""
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        rows = store.read(db, ref)
        waiting = rows.piece.state.step is Step.PHOTOS_IN
        place = room(all_machines(db), runs(db, now)) if waiting else Room((), (), None)
        pictures = pictures_of(db, rows.piece.model_id)
        wanting = rows.piece.state.step is Step.PHOTOS_WANTED
        told = to_fetch(db, rows.piece.order_id) if wanting else []
        gates = questions.told(db, rows.piece.state.gates, in_force.calendar, now)
        gates = parts.told(db, gates, in_force.calendar, now)
        chosen = assessment.views_of(workshop, db, rows.piece.model_id) if pictures.many else {}
        face = faces(workshop, db, [rows.piece.model_id]).get(rows.piece.model_id)
        bench = findings.read(db, ref, rows.log, rows.people)
    state = rows.piece.state
    context: dict[str, Any] = {
        "r": rows,
        "ref": ref,
        "state": state,
        "code": history.code_of(rows.order["number"], rows.piece),
        "stopped": refusal_at(gates, state.step) if state.open else None,
        "where": where(
            state,
            rows.people,
            rows.questions,
            now,
            in_force.settings.zone_info(),
            models=1 + len(rows.beside),
        ),
        "face": face,
        "kind": kind_words(rows.animal["kind"], rows.animal["breed"]),
        "facts": copy_facts(rows.row, rows.animal["height"])
        if ref.of is Of.COPY
        else model_facts(rows.row),
        **_work(rows, ref, request.state.person, in_force),
        **_times(state, workshop, now),
        "chance": _chance(rows, workshop, in_force.calendar.day_of(now)),
        "coats": choices(in_force, state.step, now),
        "cures": _cures(rows, now),
        # Which machine a build is to run on is asked where there are several.
        "machines": place.free if len(place.on) > 1 else (),
        "full": place.full(now, lambda at: words.when(at, now, in_force.calendar.zone)),
        "pictures": pictures,
        "worked_from": assessment.in_order(chosen, [dict(mark) for mark in rows.marks]),
        "to_fetch": told,
        "history": history.lines([(ref, e) for e in rows.log], lambda _: "", rows.people, now),
        "bench": bench,
        **_inspecting(request, rows, in_force),
        **_form(typed or {}, errors or {}, ticked),
        "yes": yes,
        "today": in_force.calendar.day_of(now),
        "day": date.fromisoformat,
    }
    return render(request, "bench/piece.html", context, status)


def _cures(rows: store.PieceRows, now: int) -> tuple[int, str] | None:
    """From when the piece may be wrapped and what cures on it; None where nothing does any more."""
    until = rows.piece.state.rests_until
    gone = not rows.piece.state.open or rows.piece.state.step is Step.HANDED_OVER
    if until is None or until <= now or gone:
        return None
    laid_on = (e.reason for e in effective(rows.log) if e.kind is Kind.MOVE and e.until == until)
    return until, next(laid_on, "")


def _chance(rows: store.PieceRows, workshop: Workshop, today: date) -> str:
    """How likely the order is there when it is needed; nothing once the piece has left."""
    state, order = rows.piece.state, rows.order
    if not state.open or state.step is Step.HANDED_OVER:
        return ""
    return how_likely(order["needed_by"], workshop.chances().get(order["id"]), today)


def _times(state: State, workshop: Workshop, now: int) -> dict[str, Any]:
    """How long the piece is here, beside what is usual at its step, in days."""
    usual, slow, _ = workshop.pace().get(state.step, (0.0, 0.0, False))
    days = max(0.0, (now - state.entered_at) / DAY)
    return {"days": days, "usual": usual, "slow": slow, "now": now}


def _inspecting(request: Request, rows: store.PieceRows, in_force: InForce) -> dict[str, Any]:
    """What is ticked before the piece passes, and what may be said of a finding."""
    if rows.piece.ref.of is not Of.COPY:
        return {"to_tick": [], "kinds": [], "wrong": {}}
    settings, row = in_force.settings, rows.row
    changes = [
        asked["answer"]
        for asked in rows.agreed
        if asked["copy_id"] == rows.piece.ref.id and asked["verdict"] == CHANGES
    ]
    lines = to_tick(settings.choices("inspection_list"), row["inscription"], row["base"], changes)
    asked = request.query_params.get("wrong", "")
    mark = next((k for k in rows.marks if str(k["id"]) == asked), None)
    wrong = {"reason": asked} if asked in lines else {}
    if mark is not None:
        told = words.side_of(mark["side"], mark["what"], mark["place"])
        side = told if told in ("left", "right") else ""
        said = ", ".join(part for part in (mark["what"], mark["place"], side) if part)
        wrong = {"reason": f"Does not match: {said}", "wrong_mark": str(mark["id"])}
    return {
        "to_tick": lines,
        "kinds": findings.choices(settings),
        "severities": [("", "by what is done"), *findings.SEVERITIES.items()],
        "nobodys": rules.nobodys(rows.piece.state.step),
        "photos_wanted": PHOTOS_AT_PASS if settings.photos_at_pass else 0,
        "wrong": wrong,
    }


def _form(typed: dict[str, str], errors: dict[str, str], ticked: Sequence[str]) -> dict[str, Any]:
    return {"typed": typed, "errors": errors, "ticked": ticked, "asked_move": typed.get("move", "")}


def _work(rows: store.PieceRows, ref: Ref, person: Person, in_force: InForce) -> dict[str, Any]:
    """What may be done now and by whom, and what to mind at this step."""
    state = rows.piece.state
    knows = Policy(in_force.settings.blank_on, rows.animal["life"] == "remembered")
    painters = [entry.by for entry in effective(rows.log) if entry.move == MoveKey.PAINTED]
    inspected = state.step is Step.INSPECTION
    # What the log of one piece cannot know: whether the model that it is made from is ready.
    ready = rows.model["step"] == Step.READY
    offered = offers(state, person.role, knows)
    return {
        "step": STEPS[state.step],
        "offers": tuple(o for o in offered if ready or o.key != MoveKey.BEGUN),
        "cautions": rules.cautions(state.step),
        "causes": rules.causes(state.step, _models(rows)) if ref.of is Of.COPY else [],
        "same_hands": inspected and rules.same_hands(painters, person.account_id),
        "past_third": past_the_third(state),
        "aside_reasons": [(reason, reason) for reason in ASIDE_REASONS],
    }


def _models(rows: store.PieceRows) -> list[tuple[int, str]]:
    """The models of a group, by number and animal; none where there is one alone."""
    beside = [(row["model_id"], row["name"]) for row in rows.beside]
    return [(rows.piece.model_id, rows.animal["name"]), *beside] if beside else []


# ---------------------------------------------------------------- corrections


class CorrectionFields(Fields):
    """What an entry should have said."""

    move: Short
    step: Short
    on: Day
    at: Short
    struck: Tick
    reason: Line
    once: Line


@router.get("/corrections/{entry:int}", name="correction")
def correction(request: Request, workshop: TheWorkshop, entry: RowId) -> Response:
    """The form for correcting an entry of the log."""
    return _correction_page(request, workshop, entry)


@router.post("/corrections/{entry:int}", name="correct")
def save_correction(
    request: Request, workshop: TheWorkshop, me: Me, entry: RowId, form: Filled
) -> Response:
    """Correct an entry; where the corrected log would not be legal, say what comes first."""
    typed = form.plain()
    try:
        fields = check(CorrectionFields, typed)
        with workshop.database.reading() as db:
            ref, _ = flow.find_entry(db, entry)
            log = flow.log_of(db, ref)
        right = _right(workshop, fields, next((e for e in effective(log) if e.id == entry), None))
        correct(workshop.database, entry, right, me, workshop.now(), fields.once or None)
        workshop.changed.set()
    except BadFields as why:
        return _correction_page(request, workshop, entry, typed, why.fields, 422)
    except NotFound:
        raise
    except Refused as why:
        return _correction_page(request, workshop, entry, typed, {"": str(why)}, 409)
    return go(request, f"/pieces/{ref.of}/{ref.id}?done=corrected")


def _right(workshop: Workshop, fields: CorrectionFields, shown: Entry | None) -> Right:
    in_force, now = workshop.in_force(), workshop.now()
    today = in_force.calendar.day_of(now)
    if fields.on is not None and not fields.at and not fields.struck:
        raise BadFields({"at": "At what time?"})
    happened = typed_moment(in_force, fields.on, fields.at, "at", today, time(12))
    if happened is not None and happened > now:
        raise BadFields({"at": "That is in the future. Type a time that has passed."})
    # The form shows no seconds: a time left as it was is not a new one.
    if shown is not None and happened == shown.happened_at - shown.happened_at % 60:
        happened = None
    if not fields.reason:
        raise BadFields({"reason": "Why is it corrected? A few words."})
    if fields.step and fields.step not in tuple(Step):
        raise BadFields({"step": "Choose one from the list."})
    return Right(
        move=fields.move,
        step=Step(fields.step) if fields.step else None,
        happened_at=None if fields.struck else happened,
        struck=fields.struck,
        reason=fields.reason,
    )


def _correction_page(
    request: Request,
    workshop: Workshop,
    entry_id: int,
    typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None,
    status: int = 200,
) -> Response:
    in_force = workshop.in_force()
    with workshop.database.reading() as db:
        ref, _ = flow.find_entry(db, entry_id)
        rows = store.read(db, ref)
        letters = store.letters_about(db, rows.piece.order_id, entry_id)
    line = effective(rows.log)
    shown = next((e for e in line if e.id == entry_id), None)
    if shown is None:
        raise NotFound("That entry no longer counts: it was undone or deleted.")
    there = in_force.calendar.local(shown.happened_at)
    context = {
        "r": rows,
        "ref": ref,
        "code": history.code_of(rows.order["number"], rows.piece),
        "entry": shown,
        "says": history.say(shown),
        "choices": _other_moves(ref.of, line, shown),
        "steps": [(str(s), STEPS[s].name) for s in STARTS[ref.of]]
        if shown.kind is Kind.ENTER
        else [],
        "letters": letters,
        "typed": typed or {"on": there.date().isoformat(), "at": f"{there:%H:%M}"},
        "errors": errors or {},
        "entry_id": entry_id,
    }
    return render(request, "bench/correction.html", context, status)


def _other_moves(of: Of, line: list[Entry], shown: Entry) -> list[tuple[str, str]]:
    """The moves that this entry may have been instead."""
    if shown.kind is not Kind.MOVE:
        return []
    before = fold(of, line[: line.index(shown)])
    return [
        (move.key, f"{STEPS[move.end].name} ({move.label.lower()})")
        for move in moves_from(of, before.step)
        if move.key not in {MoveKey.CANCEL, *CARRYING} or move.key == shown.move
    ]
