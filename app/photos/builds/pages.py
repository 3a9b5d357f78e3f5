"""The builds page: what is on which machine, what comes next, and how busy the machines were."""

from collections.abc import Callable, Sequence
from datetime import time
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from app.flow.steps import Step
from app.moving import machines as build_machines
from app.moving.effects import AskFirst
from app.moving.perform import Seen
from app.orders.benches import moves as benches_moves
from app.orders.benches.words import Clock
from app.photos import store
from app.photos.builds import actions
from app.photos.builds import store as builds_store
from app.photos.builds.actions import MachineFields
from app.photos.builds.view import Builds, assemble
from app.shared.errors import BadFields, Refused
from app.shared.text import whole_number
from app.shared.web.fields import Day, Fields, Line, Short
from app.shared.web.forms import Filled, Form, check
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, new_once, render
from app.studio.typed import typed_moment
from app.studio.web import AskedId, Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
Models = Annotated[Sequence[int], Query(max_length=actions.MOST_AT_ONCE)]


@router.get("/builds", name="builds")
def builds_page(
    request: Request, workshop: TheWorkshop, undo: AskedId | None = None, model: Models = ()
) -> Response:
    """The machines and their queue. `model` are ticked already; `undo` is an act just done."""
    return _page(request, workshop, undo=undo, ticked=frozenset(model))


@router.post("/builds/start", name="build_start")
def start(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Start the ticked sets, or the one of the button, on a machine."""

    def act() -> int:
        machine = whole_number(form.get("machine"))
        if machine is None:
            raise Refused("On which machine? Press its button.")
        sure = form.get("sure") == "1"
        return actions.start(workshop, machine, _seen(form), me, form.get("once"), sure=sure).act

    return _do(request, workshop, form, act)


class EndFields(Fields):
    """How runs ended; when, where that was not now."""

    move: Short
    on: Day
    at: Short
    reason: Line


@router.post("/builds/end", name="build_end")
def end(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Say how one run, or all that were on, ended."""

    def act() -> int:
        typed = check(EndFields, form.plain())
        in_force, now = workshop.in_force(), workshop.now()
        today = in_force.calendar.day_of(now)
        happened = typed_moment(in_force, typed.on, typed.at, "at", today, time(12))
        if happened is not None and happened > now:
            raise BadFields({"at": "That is in the future. Enter a time that has passed."})
        seen, once = _seen(form), form.get("once")
        try:
            return actions.end(workshop, typed.move, seen, happened, typed.reason, me, once).act
        except BadFields as why:
            raise BadFields({"on": str(why)}) from None

    return _do(request, workshop, form, act)


@router.post("/builds/on/{model:int}", name="build_put_on")
def put_on(request: Request, workshop: TheWorkshop, model: RowId, form: Filled) -> Response:
    """Say on which machine a run really is."""

    def act() -> int:
        machine = whole_number(form.get("machine"))
        if machine is None:
            raise Refused("On which machine?")
        actions.put_on(workshop, model, machine)
        return 0

    return _do(request, workshop, form, act)


@router.post("/machines", name="machine_add")
def add(request: Request, workshop: TheWorkshop, form: Filled) -> Response:
    """Add a machine."""
    return _do(
        request, workshop, form,
        lambda: actions.add_machine(workshop, check(MachineFields, form.plain())),
    )  # fmt: skip


@router.post("/machines/named", name="machines_named")
def take_over(request: Request, workshop: TheWorkshop, form: Filled) -> Response:
    """Add the machines that earlier runs name."""
    return _do(request, workshop, form, lambda: actions.take_over_names(workshop))


@router.post("/machines/{id_:int}", name="machine_change")
def change(request: Request, workshop: TheWorkshop, id_: RowId, form: Filled) -> Response:
    """Rename a machine or change its places."""
    return _do(
        request, workshop, form,
        lambda: actions.change_machine(workshop, id_, check(MachineFields, form.plain())),
    )  # fmt: skip


@router.post("/machines/{id_:int}/switch", name="machine_switch")
def switch(request: Request, workshop: TheWorkshop, id_: RowId, form: Filled) -> Response:
    """Switch a machine off, or on again."""
    return _do(
        request, workshop, form, lambda: actions.switch(workshop, id_, on=form.get("on") == "1")
    )


def _seen(form: Form) -> list[Seen]:
    """The sets that a form names; one that is named twice counts once."""
    return [Seen.read(text) for text in dict.fromkeys(form.many("set")) if text]


def _do(
    request: Request, workshop: Workshop, form: Form, act: Callable[[], int | None]
) -> Response:
    """Do it; a refusal is said above the page as it stands now, with what was typed."""
    try:
        done = act()
    except BadFields as why:
        return _page(request, workshop, form=form, errors=why.fields, status=422)
    except AskFirst as why:
        asked = {"sure": str(why)}
        return _page(
            request, workshop, form=form, errors=asked, status=status_of(why), yes=why.label
        )
    except Refused as why:
        return _page(request, workshop, form=form, errors={"": str(why)}, status=status_of(why))
    if done:
        return go(request, f"/builds?done=moved&undo={done}")
    return go(request, "/builds?done=saved")


def _page(
    request: Request,
    workshop: Workshop,
    *,
    undo: int | None = None,
    ticked: frozenset[int] = frozenset(),
    form: Form | None = None,
    errors: dict[str, str] | None = None,
    status: int = 200,
    yes: str = "",
) -> Response:
    now, in_force = workshop.now(), workshop.in_force()
    with workshop.database.reading() as db:
        machines = build_machines.all_machines(db)
        clock = Clock(now, in_force.calendar.zone, in_force.calendar.day_of(now))
        view = assemble(
            machines, build_machines.runs(db, now - build_machines.YEAR),
            builds_store.lines_at(db, "photos_in"), builds_store.lines_at(db, "building"),
            builds_store.verdicts(db), workshop.chances(), clock,
        )  # fmt: skip
        done = benches_moves.just_done(db, undo, now)
        built = builds_store.lines_at(db, "assessing")
        here = store.with_pictures(db, _on_page(view))
        nameless = builds_store.names_without_machine(db)
    usual, slow, _ = workshop.pace().get(Step.PHOTOS_IN, (2.0, 5.0, False))
    context: dict[str, Any] = {
        "v": view,
        "machines": machines,
        "built": built,
        "nameless": nameless,
        "here": here,
        "usual": usual,
        "slow": slow,
        "undo": done,
        "ticked": ticked,
        "ticks": form.many("set") if form is not None else [],
        "typed": form.plain() if form is not None else {},
        "errors": errors or {},
        "yes": yes,
        "once": new_once(),
    }
    return render(request, "photos/builds/builds.html", context, status)


def _on_page(view: Builds) -> list[int]:
    """The models whose sets are shown: what waits, then what runs."""
    return [*(one.line.id for one in view.queue), *(run.line.id for run in view.running)]
