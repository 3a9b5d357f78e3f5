"""The build machines, and which set runs on which: read, chosen and noted."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, bindparam, insert, select, text, update

from app.flow.rules import Entry
from app.flow.steps import Of
from app.flow.store import Ref, entry_of_row
from app.moving.build_times import BuildMachine, OnMachine, models_on, runs_of, times
from app.moving.names import named
from app.moving.rules import REFUSED_BY_CHECK
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.web import words
from app.tables import builds, machines, models

YEAR = 366 * 86_400
# What a machine makes that builds no models.
BLANKS = "blanks"


@dataclass(frozen=True, slots=True)
class Noted:
    """What the log of a model does not know of a run."""

    machine_id: int
    ends_from: int
    ends_by: int


def all_machines(db: Connection, makes: str | None = None) -> list[BuildMachine]:
    """Every machine that builds models, or those for BLANKS; those that are on first, by name."""
    query = select(machines).where(machines.c.makes.is_not_distinct_from(makes))
    rows = db.execute(query.order_by(machines.c.off_at.isnot(None), machines.c.name_key))
    return [BuildMachine(r.id, r.name, r.places, r.made_at, r.off_at) for r in rows]


def machine(db: Connection, id_: int) -> BuildMachine:
    """One machine. Raises NotFound."""
    row = db.execute(select(machines).where(machines.c.id == id_)).first()
    if row is None:
        raise NotFound("There is no such machine.")
    return BuildMachine(row.id, row.name, row.places, row.made_at, row.off_at)


_HAS_BATCH = text(
    "SELECT 1 FROM copies c JOIN transitions t ON t.copy_id = c.id AND t.move = 'batch'"
    " JOIN batches b ON b.id = t.amount AND b.machine_id = :id"
    " WHERE c.open = 1 AND c.step = 'blank' AND c.in_hand = 1"
    " AND t.seq = (SELECT max(l.seq) FROM transitions l WHERE l.copy_id = c.id"
    " AND l.move = 'batch') LIMIT 1"
)


def has_batch(db: Connection, id_: int) -> bool:
    """Whether a batch of blanks is in a machine."""
    return db.execute(_HAS_BATCH, {"id": id_}).first() is not None


_BUILT = text(
    "SELECT * FROM transitions WHERE kind IN ('enter', 'move', 'undo', 'correction')"
    " AND model_id IN (SELECT model_id FROM transitions WHERE to_step = 'building'"
    " AND recorded_at >= :since UNION SELECT id FROM models WHERE open = 1 AND step = 'building')"
    " ORDER BY model_id, seq"
)


def runs(db: Connection, since: int) -> list[OnMachine]:
    """The runs of every model that was built since a moment, or is being built."""
    logs: dict[int, list[Entry]] = {}
    for row in db.execute(_BUILT, {"since": since}).mappings():
        logs.setdefault(row["model_id"], []).append(entry_of_row(row))
    noted = _noted(db)
    said = _said_on_models(db, list(logs))
    found: list[OnMachine] = []
    for model_id, log in logs.items():
        pictures, by_name, ends_at = said[model_id]
        own = runs_of(model_id, log, pictures)
        for run in own:
            note = noted.get(run.entry)
            if note is not None:
                found.append(OnMachine(run, note.machine_id, note.ends_from, note.ends_by))
            else:
                # The model's own row knows its newest run: an import names machines there.
                newest = run is own[-1]
                found.append(
                    OnMachine(run, by_name if newest else None, None, ends_at if newest else None)
                )
    return found


def _noted(db: Connection) -> Mapping[int, Noted]:
    rows = db.execute(select(builds))
    return {r.transition_id: Noted(r.machine_id, r.ends_from, r.ends_by) for r in rows}


_SAID = text(
    "SELECT m.id, m.pictures, k.id AS machine_id, m.build_ends_at FROM models m"
    " LEFT JOIN machines k ON m.machine <> '' AND k.name = m.machine WHERE m.id IN :ids"
).bindparams(bindparam("ids", expanding=True))


def _said_on_models(
    db: Connection, ids: Sequence[int]
) -> dict[int, tuple[int | None, int | None, int | None]]:
    found: dict[int, tuple[int | None, int | None, int | None]] = {}
    for start in range(0, len(ids), 500):
        for row in db.execute(_SAID, {"ids": ids[start : start + 500]}):
            found[row.id] = (row.pictures, row.machine_id, row.build_ends_at)
    return found


# ---------------------------------------------------------------- a run begins


def choose(db: Connection, machine_id: int | None) -> BuildMachine | None:
    """The machine that runs begin on: the one named, or the only one that is on.

    None in a studio that has named none. Raises BadFields where it has to be asked, Refused where
    it is switched off, NotFound.
    """
    if machine_id is not None:
        chosen = machine(db, machine_id)
        if not chosen.on:
            raise Refused(f"{chosen.name} is switched off. Choose another one.")
        return chosen
    on = [one for one in all_machines(db) if one.on]
    if len(on) > 1:
        names = words.listed([one.name for one in on])
        raise BadFields({"machine": f"Which machine does it run on: {names}?"})
    return on[0] if on else None


def note_runs(
    db: Connection, chosen: BuildMachine, begun: Mapping[int, tuple[int, int]], now: int
) -> None:
    """Keep on which machine runs began: by model, the entry that began it and its moment."""
    takes = times(on.run for on in runs(db, now - YEAR))
    for model_id, (entry, started) in begun.items():
        its = takes.of(pictures_of(db, model_id))
        put(db, entry, model_id, chosen, started + its.first, started + its.last)


def put(
    db: Connection, entry: int, model_id: int, chosen: BuildMachine, first: int, last: int
) -> None:
    """Keep that a run is on a machine, and between which moments its end is expected."""
    db.execute(
        insert(builds).values(
            model_id=model_id, machine_id=chosen.id, transition_id=entry,
            ends_from=first, ends_by=last,
        )
    )  # fmt: skip
    db.execute(
        update(models)
        .where(models.c.id == model_id)
        .values(machine=chosen.name, build_ends_at=last)
    )


def check_room(db: Connection, chosen: BuildMachine, new: set[int], now: int) -> None:
    """Whether a machine has places for some models. Raises Refused, naming who is on it."""
    on_it = [id_ for id_ in models_on(chosen, runs(db, now)) if id_ not in new]
    free = chosen.places - len(on_it)
    if len(new) <= free:
        return
    if free <= 0:
        names = words.listed([named(db, Ref(Of.MODEL, id_)).words for id_ in on_it])
        raise Refused(
            f"{chosen.name} has no free place: {names} {'is' if len(on_it) == 1 else 'are'} on "
            "it. Enter how that build ended first."
        )
    room = words.count(free, "free place")
    raise Refused(f"{chosen.name} has {room}, and {words.count(len(new), 'set')} were chosen.")


_LAST_CHECK = text(
    "SELECT verdict, result FROM photo_checks WHERE model_id = :id ORDER BY id DESC LIMIT 1"
)


def refusal_of_check(db: Connection, model_id: int) -> str | None:
    """Why no build will come of a set, as its last check says; "" where it gave no reason.

    None where it was not checked, or not refused.
    """
    row = db.execute(_LAST_CHECK, {"id": model_id}).first()
    if row is None or row.verdict not in REFUSED_BY_CHECK:
        return None
    return next((str(reason["text"]) for reason in json.loads(row.result).get("reasons", [])), "")


def pictures_of(db: Connection, model_id: int) -> int | None:
    """How many pictures a model has, as counted."""
    query = select(models.c.pictures).where(models.c.id == model_id)
    found: int | None = db.execute(query).scalar()
    return found
