"""Blanks: what waits for a machine, what is in one, and how it came out."""

from collections.abc import Callable
from datetime import date, time
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.bench.batches import actions, store
from app.bench.batches.actions import BatchEndFields, BatchStartFields
from app.bench.batches.view import assemble
from app.bench.curing import choices, read_coat
from app.flow.steps import Step
from app.moving.machines import BLANKS, all_machines
from app.moving.perform import Seen
from app.orders.benches import moves as benches_moves
from app.orders.benches.words import Clock
from app.photos.builds.actions import MachineFields, add_machine, change_machine, switch
from app.shared.calendar import DAY
from app.shared.errors import BadFields, NotAllowed, NotFound, Refused
from app.shared.text import whole_numbers
from app.shared.web.forms import Filled, Form, check
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, new_once, render
from app.studio.typed import typed_moment
from app.studio.web import AskedId, Me, RowId, TheWorkshop
from app.studio.workshop import InForce, Workshop

router = APIRouter()
_SHOWN_DAYS = 60
_MOST_AHEAD = 60


@router.get("/blanks", name="blanks")
def blanks(
    request: Request,
    workshop: TheWorkshop,
    undo: AskedId | None = None,
    copy: AskedId | None = None,
) -> Response:
    """The queue and the machines. `copy` is ticked already; `undo` is an act just done."""
    ticked = frozenset() if copy is None else frozenset({copy})
    return _page(request, workshop, undo=undo, ticked=ticked)


@router.post("/blanks/start", name="batch_start")
def start(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """The ticked pieces go into a machine together."""

    def act() -> int:
        typed = check(BatchStartFields, form.plain())
        in_force, now = workshop.in_force(), workshop.now()
        began = _past(in_force, typed.on, typed.at, now)
        seen = [Seen.read(one) for one in dict.fromkeys(form.many("piece")) if one]
        ends = _ends(in_force, typed, began or now, now)
        return actions.start(workshop, seen, typed, ends, began, me)[1].act

    return _do(request, workshop, form, act, "start")


@router.post("/blanks/end/{batch:int}", name="batch_end")
def end(request: Request, workshop: TheWorkshop, me: Me, batch: RowId, form: Filled) -> Response:
    """How a batch came out: the ticked pieces are good, the others wait for the next one."""

    def act() -> int:
        typed = check(BatchEndFields, form.plain())
        in_force, now = workshop.in_force(), workshop.now()
        ended = _past(in_force, typed.on, typed.at, now)
        good = [] if typed.outcome == "failed" else whole_numbers(form.many("good"))
        coat = read_coat(in_force, typed, ended or now)
        done = actions.end(workshop, batch, good, typed.reason, coat, ended, me, typed.once)
        return done.act

    return _do(request, workshop, form, act, f"end-{batch}")


@router.post("/blanks/machines", name="blank_machine_add")
def add(request: Request, workshop: TheWorkshop, form: Filled) -> Response:
    """Add a machine."""

    def act() -> None:
        add_machine(workshop, check(MachineFields, form.plain()), BLANKS)

    return _do(request, workshop, form, act, "machine")


@router.post("/blanks/machines/{id_:int}", name="blank_machine_change")
def change(request: Request, workshop: TheWorkshop, id_: RowId, form: Filled) -> Response:
    """Rename a machine, change its places, or switch it off and on again."""

    def act() -> None:
        if "on" in form:
            switch(workshop, id_, on=form.get("on") == "1")
        else:
            change_machine(workshop, id_, check(MachineFields, form.plain()))

    return _do(request, workshop, form, act, "machine")


def _past(in_force: InForce, day: date | None, clock: str, now: int) -> int | None:
    """A typed moment that has passed; None where none was typed. Raises BadFields."""
    today = in_force.calendar.day_of(now)
    moment = typed_moment(in_force, day, clock, "at", today, time(12))
    if moment is not None and moment > now:
        raise BadFields(
            {"at" if clock else "on": "That is in the future. Type one that has passed."}
        )
    return moment


def _ends(in_force: InForce, typed: BatchStartFields, began: int, now: int) -> int | None:
    today = in_force.calendar.day_of(now)
    ends = typed_moment(in_force, typed.ends_on, typed.ends_at, "ends_at", today, time(9))
    name = "ends_at" if typed.ends_at else "ends_on"
    if ends is not None and ends <= began:
        raise BadFields({name: "That is before it begins."})
    if ends is not None and ends > began + _MOST_AHEAD * DAY:
        raise BadFields({name: "That is over two months away. Is the day right?"})
    return ends


def _do(
    request: Request, workshop: Workshop, form: Form, act: Callable[[], int | None], which: str
) -> Response:
    """Do it; a refusal is said above the page as it stands now, with what was typed."""
    try:
        done = act()
    except BadFields as why:
        at = "at" if form.get("at") else "on"
        errors = {at if name == "happened_at" else name: said for name, said in why.fields.items()}
        return _page(request, workshop, form=form, errors=errors, status=422, which=which)
    except (NotFound, NotAllowed):
        raise
    except Refused as why:
        said = {"": str(why)}
        return _page(request, workshop, form=form, errors=said, status=status_of(why), which=which)
    return go(request, f"/blanks?done=moved&undo={done}" if done else "/blanks?done=saved")


def _page(
    request: Request,
    workshop: Workshop,
    *,
    undo: int | None = None,
    ticked: frozenset[int] = frozenset(),
    form: Form | None = None,
    errors: dict[str, str] | None = None,
    status: int = 200,
    which: str = "",
) -> Response:
    now, in_force = workshop.now(), workshop.in_force()
    clock = Clock(now, in_force.calendar.zone, in_force.calendar.day_of(now))
    with workshop.database.reading() as db:
        machines = all_machines(db, BLANKS)
        found = store.known(db, now - _SHOWN_DAYS * DAY)
        names = store.names(db, [one.copy_id for row in found for one in row.pieces])
        lines = store.waiting(db)
        done = benches_moves.just_done(db, undo, now)
    view = assemble(lines, found, machines, names, workshop.chances(), clock)
    usual, slow, _ = workshop.pace().get(Step.BLANK, (3.0, 6.0, False))
    context: dict[str, Any] = {
        "v": view,
        "machines": machines,
        "choices": [(one.id, one.name) for one in view.free],
        "coats": choices(in_force, Step.BLANK, now),
        "materials": [("", "not said")]
        + [(cure.material, cure.material) for cure in in_force.settings.curing()],
        "usual": usual,
        "slow": slow,
        "undo": done,
        "ticked": ticked,
        "ticks": form.many("piece") if form is not None else [],
        "good": form.many("good") if form is not None else [],
        "typed": form.plain() if form is not None else {},
        "errors": errors or {},
        "which": which,
        "once": new_once(),
        "blank_on": in_force.settings.blank_on,
    }
    return render(request, "bench/batches/blanks.html", context, status)
