"""The lead-time page beside one sum over the log: `PYTHONPATH=. python
tests/benchmarks/bench_leadtimes.py [FOLDER] [--months 120] [--orders 170]`.

FOLDER keeps the invented studio of some 700 000 entries, made in about two minutes where it is not
there. The floor is one `sum` over the whole log on a raw connection. Cold is the first page of a
server that has just begun: log read, arrays made, page rendered; warm is any page after it; moved
is the first one after something happened to one order. CPU of the process, medians of rounds.
"""

import argparse
import asyncio
import gc
import resource
import sqlite3
import tempfile
from pathlib import Path
from statistics import median
from time import process_time

from starlette.requests import Request

from app.demo.build import build
from app.main import staff_site
from app.owner.known import Knowledge
from app.shared import clock
from app.shared.people import Person, Role
from app.shared.places import DataFolder
from app.studio.workshop import Workshop
from app.tables.migrating import migrate
from tests.benchmarks.bench_benches import ask

GOALS = {"warm": 2.0, "cold": 12.0, "moved": 12.0}


def studio(path: Path, months: int, orders: int) -> DataFolder:
    """The invented studio, made where it is not there."""
    folder = DataFolder(path)
    folder.prepare()
    if not folder.database_file.exists():
        print(f"inventing {months} months of {orders} orders …", flush=True)
        migrate(folder.database_file, clock.now())
        build(folder, clock.now(), months, orders, 1, lambda what, part: None)
    return folder


def cpu(act) -> float:
    began = process_time()
    act()
    return process_time() - began


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("folder", nargs="?", type=Path)
    asked.add_argument("--months", type=int, default=120)
    asked.add_argument("--orders", type=int, default=170)
    asked.add_argument("--rounds", type=int, default=7)
    args = asked.parse_args()
    with tempfile.TemporaryDirectory() as spare:
        measure(studio(args.folder or Path(spare), args.months, args.orders), args.rounds)


def measure(folder: DataFolder, rounds: int) -> None:
    workshop = Workshop(folder)
    site = staff_site(workshop)
    inner = site.app
    raw = sqlite3.connect(f"file:{folder.database_file}?mode=ro", uri=True)
    count = raw.execute("SELECT count(*) FROM transitions").fetchone()[0]
    moved = raw.execute("SELECT max(id) - 1 FROM transitions").fetchone()[0]
    workshop.in_force()

    async def as_owner(scope, receive, send):
        await inner(scope, receive, send)

    def page() -> None:
        status, body = asyncio.run(ask(as_owner, "/lead-times"))
        assert status == 200, (status, body[:300])

    _let_in(inner)
    gc.collect()
    gc.freeze()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    times: dict[str, list[float]] = {name: [] for name in ("floor", "cold", "warm", "moved")}
    for _ in range(rounds):
        times["floor"].append(
            cpu(lambda: raw.execute("SELECT sum(happened_at) FROM transitions").fetchone())
        )
        inner.state.lead_times = Knowledge(workshop)
        times["cold"].append(cpu(page))
        times["warm"].append(median(cpu(page) for _ in range(5)))
        known = inner.state.lead_times
        snapshot = known._snapshot
        # As if the newest entry had come since: its order is read again, its pieces put in place.
        known._snapshot = snapshot.__class__(
            snapshot.marks.__class__(moved, snapshot.marks.change, snapshot.marks.telling),
            snapshot.ways, snapshot.open_orders, snapshot.last_told, snapshot.rows,
        )  # fmt: skip
        times["moved"].append(cpu(page))
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    floor = median(times["floor"])
    kept = known._snapshot.ways.seconds.nbytes / 2**20
    print(f"{count} entries of the log; one sum over them takes {1000 * floor:.0f} ms")
    for name, goal in GOALS.items():
        took = median(times[name])
        ratio = median(t / f for t, f in zip(times[name], times["floor"], strict=True))
        print(f"{name:6} {1000 * took:7.1f} ms  {ratio:5.2f} × the sum (goal {goal:g})")
    print(
        f"memory: {(after - before) / 1024:.0f} MB more at its highest, {kept:.0f} MB kept of seconds"
    )
    workshop.close()


def _let_in(site) -> None:
    """The owner signed in, without a session row: nothing is written to the studio measured."""
    from app.staff import gate

    me = Person(1, Role.OWNER, "Odile Marchbanks")

    async def let_in(request: Request) -> None:
        request.state.person = me
        request.state.may = lambda _: True
        request.state.studio = lambda: None
        request.state.banners = list

    site.dependency_overrides[gate.gate] = let_in


if __name__ == "__main__":
    main()
