"""Starting and ending runs, and the machines they run on: one transaction for each act."""

from collections.abc import Sequence
from urllib.parse import urlencode

from sqlalchemy import Connection, func, insert, select, update

from app.flow import store as flow
from app.flow.actions import Done, Wish, record_in
from app.flow.rules import Kind
from app.flow.steps import MoveKey, Of, Step
from app.flow.store import Ref
from app.orders.benches.moves import AskElsewhere, Seen
from app.orders.benches.store import named
from app.photos.builds import store
from app.photos.builds.times import Machine, by_model, times
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.web import words
from app.shared.web.fields import Fields, Name, Number
from app.studio.workshop import Workshop
from app.tables import builds, machines, models, transitions

START = MoveKey.BUILD_STARTED
ENDS = (MoveKey.BUILD_FINISHED, MoveKey.BUILD_STOPPED, MoveKey.BUILD_FAILED)
MOST_AT_ONCE = 100
MOST_PLACES = 99


def start(
    workshop: Workshop, machine_id: int, seen: Sequence[Seen], who: Person, once: str
) -> Done:
    """Start a run of one or more sets on a machine.

    Raises Refused where the machine is off or has no room, AlreadyMoved, NotAllowed, NotFound;
    nothing is written then.
    """
    if not seen:
        raise Refused("Which sets? Tick the ones that go on together.")
    if len(seen) > MOST_AT_ONCE:
        raise Refused(f"At most {MOST_AT_ONCE} sets at once, please.")
    with workshop.database.writing() as db:
        wishes = [Wish(one.ref, Kind.MOVE, START, one.version) for one in seen]
        done = record_in(db, wishes, who, workshop.now(), once or None)
        _note(db, done, store.machine(db, machine_id), workshop.now())
    workshop.changed.set()
    return done


def note_start(db: Connection, done: Done, machine_id: int | None, now: int) -> None:
    """Keep on which machine the runs of an act began, in the act's own transaction.

    Without a machine named it is the only one there is; in a studio that has named none there is
    nothing to keep. Raises BadFields where it has to be asked, Refused where there is no room.
    """
    if machine_id is not None:
        _note(db, done, store.machine(db, machine_id), now)
        return
    on = [machine for machine in store.all_machines(db) if machine.on]
    if len(on) > 1:
        names = words.listed([machine.name for machine in on])
        raise BadFields({"machine": f"Which machine does it run on: {names}?"})
    if on:
        _note(db, done, on[0], now)


def beside_benches(db: Connection, done: Done, now: int) -> None:
    """What a start on the benches does besides: where a machine has to be named, ask for it.

    Raises AskElsewhere, with the builds page on which the sets are ticked already.
    """
    try:
        note_start(db, done, None, now)
    except BadFields as why:
        sets = [("model", model) for _, model in store.entries_begun(db, done.act)]
        raise AskElsewhere(str(why), f"/builds?{urlencode(sets)}#queue") from None


def _note(db: Connection, done: Done, machine: Machine, now: int) -> None:
    if not machine.on:
        raise Refused(f"{machine.name} is switched off. Choose another one.")
    begun = store.entries_begun(db, done.act)
    _check_room(db, machine, {model for _, model in begun}, now)
    takes = times(on.run for on in store.runs(db, now - store.YEAR))
    for entry, model_id in begun:
        its = takes.of(store.pictures_of(db, model_id))
        started = db.execute(
            select(transitions.c.happened_at).where(transitions.c.id == entry)
        ).scalar_one()
        _put(db, entry, model_id, machine, started + its.first, started + its.last)


def _put(
    db: Connection, entry: int, model_id: int, machine: Machine, first: int, last: int
) -> None:
    db.execute(
        insert(builds).values(
            model_id=model_id, machine_id=machine.id, transition_id=entry,
            ends_from=first, ends_by=last,
        )
    )  # fmt: skip
    db.execute(
        update(models)
        .where(models.c.id == model_id)
        .values(machine=machine.name, build_ends_at=last)
    )


def _check_room(db: Connection, machine: Machine, new: set[int], now: int) -> None:
    on_it = [
        on.run.model_id
        for on in store.runs(db, now)
        if on.run.ended is None and on.machine_id == machine.id and on.run.model_id not in new
    ]
    free = machine.places - len(on_it)
    if len(new) <= free:
        return
    if free <= 0:
        names = words.listed([named(db, Ref(Of.MODEL, id_)).words for id_ in on_it])
        raise Refused(
            f"{machine.name} has no free place: {names} {'is' if len(on_it) == 1 else 'are'} on "
            "it. Say first how that run ended."
        )
    room = words.count(free, "free place")
    raise Refused(f"{machine.name} has {room}, and {words.count(len(new), 'set')} were chosen.")


def end(
    workshop: Workshop,
    move: str,
    seen: Sequence[Seen],
    happened_at: int | None,
    reason: str,
    who: Person,
    once: str,
) -> Done:
    """Say how runs ended: finished, stopped by the machine, or failed by the pictures.

    All of them in one act, at one moment where one was typed (UTC seconds). Raises BadFields for
    a moment before a run began, Refused, AlreadyMoved, NotFound; nothing is written then.
    """
    if move not in ENDS:
        raise NotFound("A run does not end that way.")
    if not seen:
        raise Refused("Which runs? Tick the ones that ended.")
    if len(seen) > MOST_AT_ONCE:
        raise Refused(f"At most {MOST_AT_ONCE} runs at once, please.")
    with workshop.database.writing() as db:
        if happened_at is not None:
            _check_moment(db, seen, happened_at)
        wishes = [
            Wish(one.ref, Kind.MOVE, move, one.version, happened_at, reason=reason) for one in seen
        ]
        done = record_in(db, wishes, who, workshop.now(), once or None)
    workshop.changed.set()
    return done


def _check_moment(db: Connection, seen: Sequence[Seen], happened_at: int) -> None:
    late = [
        named(db, one.ref).words
        for one in seen
        if flow.load(db, one.ref).state.last_at > happened_at
    ]
    if late:
        raise BadFields(
            {"on": f"Something happened to {words.listed(late)} after that. Leave it out, or type "
             "a later time."}
        )  # fmt: skip


def put_on(workshop: Workshop, model_id: int, machine_id: int) -> None:
    """Say on which machine a model that is being built runs in truth.

    Raises NotFound, and Refused where it does not run or the machine has no room.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        machine = store.machine(db, machine_id)
        piece = flow.load(db, Ref(Of.MODEL, model_id))
        if not machine.on:
            raise Refused(f"{machine.name} is switched off. Choose another one.")
        if piece.state.step is not Step.BUILDING:
            raise Refused("It is not being built any more.")
        past = store.runs(db, now - store.YEAR)
        runs = by_model([on.run for on in past])
        run = runs[model_id]
        _check_room(db, machine, {model_id}, now)
        its = times(on.run for on in past).of(store.pictures_of(db, model_id))
        first, last = run.started + its.first, run.started + its.last
        changed = db.execute(
            update(builds).where(builds.c.transition_id == run.entry).values(machine_id=machine.id)
        )
        if not changed.rowcount:
            _put(db, run.entry, model_id, machine, first, last)
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


def add_machine(workshop: Workshop, typed: MachineFields) -> None:
    """Add a machine. Raises BadFields for a name that is taken or places that make no sense."""
    with workshop.database.writing() as db:
        _check_name(db, typed.name, 0)
        values = {"name": typed.name, "name_key": typed.name.casefold()}
        db.execute(insert(machines).values(**values, places=_places(typed), made_at=workshop.now()))


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
        before = store.machine(db, id_)
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
        machine = store.machine(db, id_)
        running = [
            run for run in store.runs(db, now) if run.run.ended is None and run.machine_id == id_
        ]
        if running and not on:
            raise Refused(f"Something runs on {machine.name}. Say first how that ended.")
        db.execute(update(machines).where(machines.c.id == id_).values(off_at=None if on else now))


def _check_name(db: Connection, name: str, own: int) -> None:
    query = select(func.count()).where(machines.c.name_key == name.casefold(), machines.c.id != own)
    if db.execute(query).scalar_one():
        raise BadFields({"name": "A machine has that name already."})
