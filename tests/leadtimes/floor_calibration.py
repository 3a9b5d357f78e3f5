"""How true `whatif` is of the invented studio: simulated from past days, held against what came.

    python -m tests.leadtimes.floor_calibration [seed, ...]

The last four months are the judge: what the simulation draws is fitted once, to the months before
them, and what was on the floor on days of these four months is held against what came of it. A
piece that is still there when the history ends came later than any range that had ended.

For each past day the studio is cut back to what was written down by then (later entries, pieces and
orders are taken out, the cached columns folded again), the floor is built and simulated as
`likewright whatif` does it, and its stays and ready dates are set beside the log's own. Pieces that
were cancelled or remade afterwards, and all of an order of which something was put on hold or was
on hold, are left out of the dates: no simulation of the floor could know.
"""

import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import numpy as np
from sqlalchemy import text

from app.flow.rules import fold
from app.flow.steps import Of, Step
from app.flow.store import Ref, log_of, save
from app.leadtimes.floor import Outcome, simulate
from app.owner import floor_now, whatif_command
from app.owner.floor_now import NAMES, Built
from app.owner.floor_stays import Stays
from app.shared.calendar import DAY
from app.shared.places import DataFolder
from tests.demo.invented import A_TUESDAY, invent
from tests.staff.browser import ClockedWorkshop

Row = tuple[float, float, float, float]
LEARN = floor_now._ended
WEEKS_BACK = tuple(range(17, 6, -2))
FITTED_UNTIL = A_TUESDAY - 122 * DAY
SEEDS = 1, 2, 3, 4
FAR = 1 << 40
RUNS = 300


def cut_back(studio: Path, moment: int) -> None:
    """Take out what was written down after a moment."""
    raw = sqlite3.connect(studio)
    for (trigger,) in raw.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    ).fetchall():
        raw.execute(f'DROP TRIGGER "{trigger}"')
    raw.execute("DELETE FROM transitions WHERE recorded_at > ?", (moment,))
    for table, column in (("copies", "copy_id"), ("models", "model_id")):
        raw.execute(
            f"DELETE FROM {table} WHERE id NOT IN"
            f" (SELECT {column} FROM transitions WHERE {column} IS NOT NULL)"
        )
    raw.execute("DELETE FROM orders WHERE taken_at > ?", (moment,))
    raw.execute("DELETE FROM absences WHERE made_at > ?", (moment,))
    raw.execute("DELETE FROM forecasts")
    raw.commit()
    raw.close()


@contextmanager
def as_of(folder: DataFolder, moment: int) -> Iterator[ClockedWorkshop]:
    """The workshop as it stood at a moment."""
    with tempfile.TemporaryDirectory() as place:
        then = DataFolder(Path(place))
        then.prepare()
        shutil.copyfile(folder.database_file, then.database_file)
        cut_back(then.database_file, moment)
        workshop = ClockedWorkshop(then)
        workshop.moment = moment
        with workshop.database.writing() as db:
            for of, table in ((Of.MODEL, "models"), (Of.COPY, "copies")):
                for piece in db.execute(text(f"SELECT id FROM {table}")).scalars().all():
                    log = log_of(db, Ref(of, piece))
                    save(db, Ref(of, piece), fold(of, log), len(log))
        yield workshop
        workshop.close()


@dataclass(frozen=True)
class Day:
    """A past day: the floor, its simulation, when pieces were ready, and by bench how many stays
    were taken up in the four weeks after it.
    """

    moment: int
    built: Built
    outcome: Outcome
    ready_at: dict[str, int]
    stays: dict[str, int]


_READY = """
SELECT o.number || '-' || p.letter || {number} AS key, p.held, p.at FROM (
  SELECT p.*, p.order_id IN (SELECT q.order_id FROM transitions t JOIN (
        SELECT id, NULL AS copy, order_id FROM models
        UNION ALL SELECT NULL, id, order_id FROM copies) q
      ON q.id = t.model_id OR q.copy = t.copy_id
      WHERE t.kind IN ('hold', 'lift') AND t.happened_at > :now) AS held,
    coalesce((SELECT min(t.happened_at) FROM transitions t WHERE t.{of} = p.id
      AND t.to_step = '{end}' AND t.happened_at > :now), CASE WHEN p.open THEN :far END) AS at
  FROM {table} p) p JOIN orders o ON o.id = p.order_id WHERE p.at IS NOT NULL
"""
_TAKEN_UP = """
SELECT step, count(*) FROM (
  SELECT t.from_step AS step, min(t.happened_at) AS at FROM transitions t JOIN transitions e
    ON e.to_step = t.from_step AND e.seq < t.seq AND (e.copy_id = t.copy_id OR e.model_id = t.model_id)
  WHERE t.kind = 'start' GROUP BY e.id)
WHERE at >= :now AND at < :until GROUP BY step
"""


def what_came(studio: Path, moment: int) -> tuple[dict[str, int], dict[str, int]]:
    """When pieces were ready after a moment, by key, and stays taken up in the four weeks then."""
    raw = sqlite3.connect(studio)
    found: dict[str, int] = {}
    copy = "p.number || CASE WHEN p.making > 1 THEN ' m' || p.making ELSE '' END"
    model = "CASE WHEN p.number > 1 THEN ' v' || p.number ELSE '' END"
    for query in (
        _READY.format(number=copy, of="copy_id", table="copies", end=Step.HANDED_OVER),
        _READY.format(number=model, of="model_id", table="models", end=Step.READY),
    ):
        found |= {
            key: at for key, held, at in raw.execute(query, {"now": moment, "far": FAR}) if not held
        }
    rows = raw.execute(_TAKEN_UP, {"now": moment, "until": moment + 28 * DAY}).fetchall()
    raw.close()
    return found, {NAMES[Step(step)]: count for step, count in rows}


def fitted(known: Stays, step: Step, _: int) -> tuple[np.ndarray, np.ndarray]:
    """The stays of a step that what is drawn rests on: those that had ended by then."""
    mine, lately = LEARN(known, step, FITTED_UNTIL)
    before = known.left <= FITTED_UNTIL
    return mine & before, lately & before


def days_of(folder: DataFolder, weeks: Iterable[int]) -> list[Day]:
    """Each past day simulated and looked up."""
    found = []
    for back in weeks:
        moment = A_TUESDAY - 7 * DAY * back
        learns = patch.object(floor_now, LEARN.__name__, fitted)
        with as_of(folder, moment) as workshop, learns:
            built = whatif_command.floor_of(workshop)
        outcome = simulate(built.floor, RUNS, seed=back)
        found.append(Day(moment, built, outcome, *what_came(folder.database_file, moment)))
    return found


def work_table(days: list[Day]) -> list[str]:
    """Per four weeks: stays taken up, and hours in hand of people who are kept by them."""
    lines = [
        f"{'in four weeks':18} {'stays: simulated':>16} {'real':>6} {'hours waited for hands':>24}"
    ]
    for name in NAMES.values():
        found = [
            (o.begun[:, i].mean(), d.stays.get(name, 0), o.wait_hours().value[i])
            for d in days
            for o in [d.outcome]
            for i in [o.floor.index(name)]
        ]
        begun, real, waited = np.mean(found, axis=0)
        if real >= 5:
            lines.append(f"{name:18} {begun:16.1f} {real:6.1f} {waited:24.1f}")
    return lines


def dates(days: list[Day]) -> dict[str, list[Row]]:
    """By the bench where a piece stood: 10, 50, 85 % point and real days until it was ready."""
    rows: dict[str, list[Row]] = {}
    for day in days:
        points = day.outcome.ready_at([0.10, 0.50, 0.85]).value / 24
        for piece, (low, half, high) in zip(day.outcome.floor.pieces, points, strict=True):
            if piece.key in day.ready_at and piece.after is None:
                real = (day.ready_at[piece.key] - day.moment) / DAY
                bench = piece.step.partition(" (")[0]
                rows.setdefault(bench, []).append((low, half, high, real))
    return rows


def dates_table(rows: dict[str, list[Row]]) -> list[str]:
    """Median days until ready by bench, simulated against real, and how often the range held."""
    head = ("stands at", "n", "simulated", "real", "median off", "in 10-85", "under 85")
    lines = ["{:18} {:>5} {:>9} {:>7} {:>10} {:>8} {:>8}".format(*head)]
    every = [row for found in rows.values() for row in found]
    ordered = [(name, rows[name]) for name in NAMES.values() if name in rows]
    for name, found in [*ordered, ("all", every)]:
        _, half, _, real = np.array(found).T
        inside, under = shares_within(found)
        lines.append(
            f"{name:18} {len(found):5} {np.median(half):9.1f} {np.median(real):7.1f}"
            f" {np.median(half - real):+10.1f} {inside:8.2f} {under:8.2f}"
        )
    return lines


def shares_within(found: list[Row]) -> tuple[float, float]:
    """How often the real day lay between the 10 and 85 % points, and how often before the latter:
    .75 and .85 where the simulation is true.
    """
    low, _, high, real = np.array(found).T
    return float(np.mean((low <= real) & (real <= high))), float(np.mean(real <= high))


def main(seeds: Iterable[int]) -> None:
    """Invent the studios, look back, print both tables."""
    days = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as place:
            folder, _ = invent(Path(place), seed=seed)
            days += days_of(folder, WEEKS_BACK)
    print(f"From {len(days)} past days, {RUNS} simulations each")
    print("\n".join([*work_table(days), "", *dates_table(dates(days))]))


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or SEEDS)
