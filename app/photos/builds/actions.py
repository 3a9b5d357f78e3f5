"""Starting and ending runs, and the machines they run on: one transaction for each act."""

from collections.abc import Sequence

from sqlalchemy import Connection, func, insert, select, update

from app.flow import store as flow
from app.flow.actions import Done
from app.flow.steps import MoveKey, Of, Step
from app.flow.store import Ref
from app.moving import machines as on_machines
from app.moving.build_times import by_model, times
from app.moving.effects import MoveDetails
from app.moving.perform import Seen, perform
from app.photos.builds import store
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.web.fields import Fields, Name, Number
from app.studio.workshop import Workshop
from app.tables import builds, machines, models

ENDS = (MoveKey.BUILD_FINISHED, MoveKey.BUILD_STOPPED, MoveKey.BUILD_FAILED)
MOST_AT_ONCE = 100
MOST_PLACES = 99


def start(
    workshop: Workshop,
    machine_id: int,
    seen: Sequence[Seen],
    who: Person,
    once: str,
    *,
    sure: bool = False,
) -> Done:
    """Start a run of one or more sets on a machine; `sure` where the check refused one.

    Raises what `perform` raises.
    """
    if not seen:
        raise Refused("Which sets? Tick the ones that start together.")
    if len(seen) > MOST_AT_ONCE:
        raise Refused(f"At most {MOST_AT_ONCE} sets at once, please.")
    said = MoveDetails(machine=machine_id, sure=sure)
    return perform(workshop, seen, MoveKey.BUILD_STARTED, said, who, once)


def end(
    workshop: Workshop,
    move: str,
    seen: Sequence[Seen],
    happened_at: int | None,
    reason: str,
    who: Person,
    once: str,
) -> Done:
    """Say how runs ended: finished, machine stopped, or photos not good enough.

    All of them in one act, at one moment where one was typed (UTC seconds). Raises what `perform`
    raises.
    """
    if move not in ENDS:
        raise NotFound("A run cannot end that way.")
    if not seen:
        raise Refused("Which runs? Tick the ones that ended.")
    if len(seen) > MOST_AT_ONCE:
        raise Refused(f"At most {MOST_AT_ONCE} runs at once, please.")
    said = MoveDetails(happened_at=happened_at, reason=reason)
    return perform(workshop, seen, MoveKey(move), said, who, once)


def put_on(workshop: Workshop, model_id: int, machine_id: int) -> None:
    """Say on which machine a model that is being built really runs.

    Raises NotFound, and Refused where it does not run or the machine has no room.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        machine = on_machines.machine(db, machine_id)
        piece = flow.load(db, Ref(Of.MODEL, model_id))
        if not machine.on:
            raise Refused(f"{machine.name} is switched off. Choose another one.")
        if piece.state.step is not Step.BUILDING:
            raise Refused("That set is not being built any more.")
        past = on_machines.runs(db, now - on_machines.YEAR)
        runs = by_model([on.run for on in past])
        run = runs[model_id]
        on_machines.check_room(db, machine, {model_id}, now)
        its = times(on.run for on in past).of(on_machines.pictures_of(db, model_id))
        first, last = run.started + its.first, run.started + its.last
        changed = db.execute(
            update(builds).where(builds.c.transition_id == run.entry).values(machine_id=machine.id)
        )
        if not changed.rowcount:
            on_machines.put(db, run.entry, model_id, machine, first, last)
        else:
            db.execute(update(models).where(models.c.id == model_id).values(machine=machine.name))
        orders = [order for order, _ in flow.orders_of_model(db, model_id)]
        flow.mark_stale(db, [piece.order_id, *orders])
    workshop.changed.set()


# ---------------------------------------------------------------- the machines


class MachineFields(Fields):
    """A machine as its form has it."""

    name: Name
    places: Number


def _places(typed: MachineFields) -> int:
    places = 1 if typed.places is None else typed.places
    if not 1 <= places <= MOST_PLACES:
        raise BadFields({"places": f"Between 1 and {MOST_PLACES}, please."})
    return places


def add_machine(workshop: Workshop, typed: MachineFields, makes: str | None = None) -> None:
    """Add a machine for models, or for what else it `makes`.

    Raises BadFields for a name that is taken or places that make no sense.
    """
    with workshop.database.writing() as db:
        _check_name(db, typed.name, 0)
        values = {"name": typed.name, "name_key": typed.name.casefold()}
        db.execute(
            insert(machines).values(
                **values, places=_places(typed), made_at=workshop.now(), makes=makes
            )
        )


def name_machines(db: Connection, names: Sequence[str], now: int) -> None:
    """Add machines by name, one place each; those that are there already stay as they are."""
    for name in names:
        known = select(machines.c.id).where(machines.c.name_key == name.casefold())
        if db.execute(known).first() is None:
            db.execute(
                insert(machines).values(name=name, name_key=name.casefold(), places=1, made_at=now)
            )


def take_over_names(workshop: Workshop) -> None:
    """Add the machines that earlier runs name and that are not here yet."""
    with workshop.database.writing() as db:
        name_machines(db, store.names_without_machine(db), workshop.now())


def change_machine(workshop: Workshop, id_: int, typed: MachineFields) -> None:
    """Rename a machine, or give it another number of places. Raises BadFields, NotFound."""
    with workshop.database.writing() as db:
        before = on_machines.machine(db, id_)
        _check_name(db, typed.name, id_)
        values = {"name": typed.name, "name_key": typed.name.casefold(), "places": _places(typed)}
        db.execute(update(machines).where(machines.c.id == id_).values(**values))
        # Models name the machine they are on; the runs of the past follow the machine's number.
        db.execute(update(models).where(models.c.machine == before.name).values(machine=typed.name))
    workshop.changed.set()


def switch(workshop: Workshop, id_: int, *, on: bool) -> None:
    """Switch a machine off, or on again. Raises Refused while something runs on it."""
    now = workshop.now()
    with workshop.database.writing() as db:
        machine = on_machines.machine(db, id_)
        running = any(
            run.run.ended is None and run.machine_id == id_ for run in on_machines.runs(db, now)
        )
        if (running or on_machines.has_batch(db, id_)) and not on:
            raise Refused(f"A run is still on {machine.name}. Enter how it ended first.")
        db.execute(update(machines).where(machines.c.id == id_).values(off_at=None if on else now))


def _check_name(db: Connection, name: str, own: int) -> None:
    query = select(func.count()).where(machines.c.name_key == name.casefold(), machines.c.id != own)
    if db.execute(query).scalar_one():
        raise BadFields({"name": "Another machine already has that name."})
