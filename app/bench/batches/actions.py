"""Starting and ending a batch of blanks: one transaction for each act."""

from collections.abc import Collection, Sequence

from sqlalchemy import Connection, insert

from app.bench.batches import store
from app.bench.batches.rules import running
from app.bench.curing import CoatFields
from app.flow.actions import Done, begin_act
from app.flow.rules import Kind
from app.flow.steps import MoveKey, Of, Step
from app.flow.store import Ref
from app.moving import machines as on_machines
from app.moving.effects import MoveDetails
from app.moving.inspecting import WhatIsWrong
from app.moving.machines import BLANKS
from app.moving.perform import Seen, perform_in
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.web.fields import Day, Fields, Line, Number, Short
from app.studio.curing import Coat
from app.studio.workshop import Workshop
from app.tables import batches

MOST_AT_ONCE = 100
YEAR = 366 * 86_400
# A blank that is lost is made again, though the piece stays the same.
MADE_ANEW = WhatIsWrong(severity="again")


class BatchStartFields(Fields):
    """A batch as its form has it. `on` and `at` are when it began, where that was not now."""

    machine: Number
    material: Short
    lot: Short
    ends_on: Day
    ends_at: Short
    on: Day
    at: Short
    once: Line


class BatchEndFields(CoatFields):
    """How a batch came out, and when, where that was not now."""

    outcome: Short
    reason: Line
    on: Day
    at: Short
    once: Line


def start(
    workshop: Workshop, seen: Sequence[Seen], typed: BatchStartFields, ends_by: int | None,
    began: int | None, who: Person,
) -> tuple[int, Done]:  # fmt: skip
    """Put pieces into a machine together. Moments are UTC seconds, `began` None for now.

    Gives the batch's number. Raises BadFields and Refused, and what `perform` raises.
    """
    if not seen:
        raise Refused("Which pieces? Tick the ones that go into the machine together.")
    if len(seen) > MOST_AT_ONCE:
        raise Refused(f"At most {MOST_AT_ONCE} pieces at once, please.")
    now = workshop.now()
    with workshop.database.writing() as db:
        known = store.known(db, now - YEAR)
        chosen = _machine(db, typed.machine, len(seen), known)
        last = ends_by or (began or now) + store.usual_of(known, chosen)
        made = db.execute(
            insert(batches).values(
                machine_id=chosen, material=typed.material, lot=typed.lot, made_at=now,
                ends_by=last, account_id=who.account_id,
            )
        ).inserted_primary_key  # fmt: skip
        assert made is not None
        said = MoveDetails(batch=int(made[0]), happened_at=began)
        done = perform_in(db, workshop, seen, Kind.START, said, who, typed.once)
    workshop.changed.set()
    return int(made[0]), done


def _machine(
    db: Connection, asked: int | None, pieces: int, known: Sequence[store.BatchRow]
) -> int | None:
    """The machine that is meant: the one named, or the only one that is on; None where the studio
    has named none. Raises BadFields and Refused."""
    on = [one for one in on_machines.all_machines(db, BLANKS) if one.on]
    if asked is None:
        if len(on) > 1:
            raise BadFields({"machine": "Which machine?"})
        chosen = on[0] if on else None
    else:
        chosen = next((one for one in on if one.id == asked), None)
        if chosen is None:
            raise BadFields({"machine": "Choose one from the list."})
    if chosen is None:
        return None
    inside = next((b for b in known if b.machine_id == chosen.id and running(b.pieces)), None)
    if inside is not None:
        raise Refused(f"Batch {inside.id} is in {chosen.name}. Enter how it came out first.")
    if pieces > chosen.places:
        raise Refused(f"{chosen.name} takes {chosen.places} pieces, and {pieces} were ticked.")
    return chosen.id


def end(
    workshop: Workshop, batch: int, good: Collection[int], reason: str, coat: Coat | None,
    ended: int | None, who: Person, once: str,
) -> Done:  # fmt: skip
    """Say how a batch came out: the copies that are `good` go on, the others wait for the next one.

    A blank that is not good is a finding with its reason and no rework: it keeps its place in the
    queue, and nobody's work is done again. Raises BadFields, at `reason` where it is missing,
    NotFound, and what `perform` raises.
    """
    with workshop.database.writing() as db:
        row = next((b for b in store.known(db, workshop.now()) if b.id == batch), None)
        inside = [one.copy_id for one in row.pieces if one.ended is None] if row else []
        if not inside:
            raise NotFound("That batch has come out already, or there is none.")
        if set(good) - set(inside):
            raise Refused("The batch has changed since you opened this page. Look again.")
        failed = [id_ for id_ in inside if id_ not in good]
        if failed and not reason:
            raise BadFields({"reason": "What was wrong with it? A few words."})
        act = begin_act(db, who, workshop.now(), once or None)
        groups = (
            (MoveKey.BLANK_DONE, MoveDetails(batch=batch, happened_at=ended, coat=coat), good),
            (Kind.FINDING, MoveDetails(batch=batch, happened_at=ended, reason=reason,
                                       cause=str(Step.BLANK), found=MADE_ANEW), failed),
        )  # fmt: skip
        for what, said, ids in groups:
            seen = [Seen(Ref(Of.COPY, id_)) for id_ in inside if id_ in ids]
            if seen:
                done = perform_in(db, workshop, seen, what, said, who, once, act)
    workshop.changed.set()
    return done
