"""What recording a move costs, beside floors that write the same rows.

    PYTHONPATH=. python tests/benchmarks/bench_move.py [--rounds 7] [--folder DIR]

One move, CPU, in a folder in memory: the action; the same rows by SQLAlchemy Core with nothing
checked; the same rows by raw sqlite3. Eight clients on disk: the same three, each under one lock
of the process. Rounds are interleaved, medians printed; machines of this kind swing 10 to
20 %, so the ratio is the figure. The clock is one that runs a second a move.
"""

import argparse
import itertools
import shutil
import sqlite3
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from sqlalchemy import text

from app.flow.steps import MoveKey, Of, Step
from app.flow.store import Ref
from app.moving.effects import MoveDetails
from app.moving.perform import Seen, perform
from app.shared.database import Database, _pragmas
from app.shared.places import DataFolder
from app.tables.migrating import migrate
from tests.making import CAST, NOW, Wanted, make_order
from tests.staff.browser import ClockedWorkshop

PIECES = 400
MOVES = 400
CLIENTS = 8
EACH = 60
THERE_AND_BACK = (("shaped", Step.SHAPING, Step.PAINTING),
                  ("back_to_shaping", Step.PAINTING, Step.SHAPING))  # fmt: skip

# The rows of a move of a copy: its entry, what was found, its cached columns, page, forecast,
# order, counter.
FLOOR = (
    "INSERT INTO transitions (act, copy_id, seq, kind, move, from_step, to_step, happened_at,"
    " recorded_at, time_is, account_id, reason, cause, whose, once) VALUES"
    " ((SELECT max(id) + 1 FROM transitions), :copy, :seq, 'move', :move, :old, :new, :at, :at,"
    " 'pressed', 5, 'a chip', '', '', :once)",
    "INSERT INTO findings (copy_id, transition_id, area, kind, severity, found_by)"
    " SELECT :copy, max(id), '', '', 'mend', 'here' FROM transitions"
    " WHERE :move = 'back_to_shaping' HAVING max(id)",
    "UPDATE copies SET step = :new, entered_at = :at, last_at = :at, version = :seq, in_hand = 0,"
    " hand_id = NULL, aside_until = NULL, aside_reason = '', reworks = :seq / 2"
    " WHERE id = :copy AND version = :seq - 1",
    "INSERT INTO status_pages (order_id, wanted, written) VALUES (:order, 1, 0)"
    " ON CONFLICT (order_id) DO UPDATE SET wanted = wanted + 1",
    "UPDATE forecasts SET stale = 1 WHERE order_id = :order",
    "UPDATE orders SET open = EXISTS (SELECT 1 FROM models WHERE order_id = :order AND open = 1)"
    " OR EXISTS (SELECT 1 FROM copies WHERE order_id = :order AND open = 1) WHERE id = :order",
    "UPDATE house SET version = version + 1",
)


def a_studio(path: Path) -> Path:
    """A database with PIECES copies in shaping, two an order."""
    migrate(path, NOW)
    database = Database(path)
    with database.writing() as db:
        db.execute(
            text("INSERT INTO accounts (id, name, name_key, role, password_hash, made_at)"
                 " VALUES (2, 'd', 'd', 'desk', '', 0), (5, 'p', 'p', 'bench', '', 0)")
        )  # fmt: skip
    wanted = [Wanted(step=Step.READY, copies=2, copy_step=Step.SHAPING)]
    for _ in range(PIECES // 2):
        make_order(database, CAST.desk, NOW, wanted)
    database.close()
    return path


def rows_of_moves(pieces: range) -> Iterator[dict[str, object]]:
    """What the floors are given: each piece moved on, then back, and so on."""
    for turn in itertools.count():
        move, old, new = THERE_AND_BACK[turn % 2]
        for piece in pieces:
            yield {
                "copy": piece, "seq": turn + 2, "move": move, "old": old.value, "new": new.value,
                "at": NOW + turn + 1, "once": f"{piece}-{turn}", "order": (piece + 1) // 2,
            }  # fmt: skip


def by_action(workshop: ClockedWorkshop, row: dict[str, object]) -> None:
    """One move through the action that the pages call."""
    workshop.moment = row["at"]
    seen = Seen(Ref(Of.COPY, row["copy"]), row["seq"] - 1)
    said = MoveDetails(reason="a chip")
    perform(workshop, [seen], MoveKey(row["move"]), said, CAST.painter, row["once"])


_CORE = [text(statement) for statement in FLOOR]


def by_core(database: Database, row: dict[str, object]) -> None:
    with database.writing() as db:
        for statement in _CORE[:-1]:
            db.execute(statement, row)


class Raw:
    """The same rows by plain sqlite3, one connection, one lock."""

    def __init__(self, path: Path) -> None:
        self.turn = threading.Lock()
        self.raw = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        for pragma in _pragmas(False):
            self.raw.execute(pragma)

    def move(self, row: dict[str, object]) -> None:
        with self.turn:
            self.raw.execute("BEGIN IMMEDIATE")
            for statement in FLOOR:
                self.raw.execute(statement, row)
            self.raw.execute("COMMIT")


def openings(folder: Path) -> dict[str, Callable[[dict[str, object]], None]]:
    """Each way of writing, on a database of its own that starts out the same."""
    first = a_studio(folder / "first.db")
    ways: dict[str, Callable[[dict[str, object]], None]] = {}
    for name in ("action", "core", "raw"):
        place = DataFolder(folder / name)
        place.prepare()
        path = Path(shutil.copyfile(first, place.database_file))
        if name == "raw":
            ways[name] = Raw(path).move
        elif name == "core":
            ways[name] = partial(by_core, Database(path))
        else:
            ways[name] = partial(by_action, ClockedWorkshop(place))
    return ways


def cpu_of_a_move(rounds: int) -> None:
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        ways = openings(Path(folder))
        feeds = {name: rows_of_moves(range(1, PIECES + 1)) for name in ways}
        spent: dict[str, list[float]] = {name: [] for name in ways}
        for turn in range(rounds + 1):
            for name, way in ways.items():
                start = time.process_time()
                for row in itertools.islice(feeds[name], MOVES):
                    way(row)
                if turn:  # the first warms up
                    spent[name].append((time.process_time() - start) / MOVES * 1e3)
    print(f"one move in a memory folder, CPU (median of {rounds} rounds of {MOVES} moves)")
    medians = {name: statistics.median(times) for name, times in spent.items()}
    for name, each in medians.items():
        print(f"  {name:8} {each:7.3f} ms   {each / medians['raw']:6.1f} × raw"
              f"   {each / medians['core']:5.2f} × core")  # fmt: skip


def eight_clients(way: Callable[[dict[str, object]], None], turn: int) -> tuple[float, float, int]:
    """Worst wait in ms, moves a second, and how many were refused, of one round."""
    waits: list[float] = []
    refused: list[Exception] = []
    ready = threading.Barrier(CLIENTS + 1)

    def client(number: int) -> None:
        share = PIECES // CLIENTS
        feed = rows_of_moves(range(number * share + 1, (number + 1) * share + 1))
        rows = list(itertools.islice(feed, turn * EACH, (turn + 1) * EACH))
        ready.wait()
        for row in rows:
            start = time.perf_counter()
            try:
                way(row)
            except Exception as why:
                refused.append(why)
            waits.append((time.perf_counter() - start) * 1e3)

    seconds = raced(client, ready)
    return max(waits), CLIENTS * EACH / seconds, len(refused)


def raced(client: Callable[[int], None], ready: threading.Barrier) -> float:
    """The seconds that CLIENTS threads take from the moment on which all of them are ready."""
    threads = [threading.Thread(target=client, args=(number,)) for number in range(CLIENTS)]
    for thread in threads:
        thread.start()
    ready.wait()
    start = time.perf_counter()
    for thread in threads:
        thread.join()
    return time.perf_counter() - start


def clients_on_disk(rounds: int, folder: str | None) -> None:
    with tempfile.TemporaryDirectory(dir=folder) as place:
        ways = openings(Path(place))
        found: dict[str, list[tuple[float, float, int]]] = {"action": [], "core": [], "raw": []}
        for turn in range(rounds + 1):
            for name, results in found.items():
                results.append(eight_clients(ways[name], turn))
    print(f"{CLIENTS} clients on disk, {EACH} moves each (median of {rounds} rounds)")
    worst, rate = {}, {}
    for name, results in found.items():
        worst[name] = statistics.median(r[0] for r in results[1:])
        rate[name] = statistics.median(r[1] for r in results[1:])
        refused = sum(r[2] for r in results)
        print(
            f"  {name:8} worst {worst[name]:7.1f} ms   {rate[name]:6.0f} moves/s   {refused} refused"
        )
    print(
        f"  action to core with one lock: worst {worst['action'] / worst['core']:.2f} × (goal 2),"
        f" rate {rate['action'] / rate['core']:.2f} (goal 0.7)"
    )


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=7)
    options.add_argument("--folder", help="where the files on disk lie")
    chosen = options.parse_args()
    cpu_of_a_move(chosen.rounds)
    clients_on_disk(chosen.rounds, chosen.folder)
