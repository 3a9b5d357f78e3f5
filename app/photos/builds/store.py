"""What the builds page reads: machines, the queue in the order of work, runs from the logs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, bindparam, select, text

from app.flow.rules import Entry
from app.flow.steps import MoveKey
from app.flow.store import entry_of_row
from app.orders.benches.lines import Line
from app.orders.benches.store import MODELS
from app.photos.builds.times import Machine, OnMachine, runs_of
from app.shared.calendar import DAY
from app.shared.errors import NotFound
from app.tables import builds, machines, models, transitions

YEAR = 366 * DAY


@dataclass(frozen=True, slots=True)
class Noted:
    """What the log of a model does not know of a run."""

    machine_id: int
    ends_from: int
    ends_by: int


def all_machines(db: Connection) -> list[Machine]:
    """Every machine, those that are on first, by name."""
    rows = db.execute(select(machines).order_by(machines.c.off_at.isnot(None), machines.c.name_key))
    return [Machine(r.id, r.name, r.places, r.made_at, r.off_at) for r in rows]


def machine(db: Connection, id_: int) -> Machine:
    """One machine. Raises NotFound."""
    row = db.execute(select(machines).where(machines.c.id == id_)).first()
    if row is None:
        raise NotFound("There is no such machine.")
    return Machine(row.id, row.name, row.places, row.made_at, row.off_at)


_LINES = {
    step: text(f"{MODELS} AND p.step = '{step}'") for step in ("photos_in", "building", "assessing")
}  # fmt: skip


def lines_at(db: Connection, step: str) -> list[Line]:
    """The open models at photos_in, building or assessing, with what their rows say."""
    return [Line._make(row) for row in db.execute(_LINES[step])]


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


def names_without_machine(db: Connection) -> list[str]:
    """Names of machines on models that no machine has: from an import, say."""
    query = text(
        "SELECT DISTINCT machine FROM models WHERE machine <> ''"
        " AND machine NOT IN (SELECT name FROM machines) ORDER BY machine LIMIT 20"
    )
    return list(db.execute(query).scalars())


def entries_begun(db: Connection, act: int) -> Sequence[tuple[int, int]]:
    """The runs that an act began: entry and model."""
    t = transitions.c
    query = select(t.id, t.model_id).where(
        t.id >= act, t.act == act, t.kind == "move", t.move == MoveKey.BUILD_STARTED
    )
    return [(row.id, row.model_id) for row in db.execute(query)]


def pictures_of(db: Connection, model_id: int) -> int | None:
    """How many pictures a model has, as counted."""
    query = select(models.c.pictures).where(models.c.id == model_id)
    found: int | None = db.execute(query).scalar()
    return found


_VERDICTS = text(
    "SELECT model_id, verdict FROM photo_checks WHERE id IN"
    " (SELECT max(id) FROM photo_checks WHERE model_id IN"
    " (SELECT id FROM models WHERE open = 1 AND step = 'photos_in') GROUP BY model_id)"
)


def verdicts(db: Connection) -> Mapping[int, str]:
    """What the last check said of each model that waits for a machine."""
    return {row.model_id: row.verdict for row in db.execute(_VERDICTS) if row.verdict}
