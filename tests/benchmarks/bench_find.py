"""The find box on a large order book: CPU milliseconds over a search that finds nothing.

    python tests/benchmarks/bench_find.py [DATA]      # DATA: a folder of `likewright demo`

Without DATA an invented studio of 20 000 orders is made first, which takes some minutes.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from app.demo.build import build
from app.desk.find_store import Finder
from app.desk.finding import Index
from app.shared.database import Database
from app.shared.places import DataFolder
from app.tables.migrating import migrate

ROUNDS = 40
MESSAGE = (
    "Dear workshop,\n\nI sent you pictures of our old mare a fortnight ago and wondered whether "
    "they arrived. My order should be SB-20931 or so, I have it from the shop.\n\nWarm greetings\n"
    "Rhiannon Ibarra\n0000 555 0144"
)


def folder() -> Path:
    if len(sys.argv) > 1:
        return Path(sys.argv[1])
    made = DataFolder(Path(tempfile.mkdtemp()))
    made.prepare()
    now = int(time.time())
    migrate(made.database_file, now)
    build(made, now, 120, 170, 1, lambda what, part: None)
    return made.path


def milliseconds(act: Callable[[], object]) -> float:
    began = time.process_time()
    act()
    return (time.process_time() - began) * 1000


def main() -> None:
    database = Database(folder() / "studio.db")
    finder = Finder(database)
    cold = milliseconds(finder.up_to_date)
    index: Index = finder.up_to_date()
    index.find("warm")
    asked = {
        "nothing found": "qqxqq", "two letters": "il", "part of a number": "2093",
        "a name": "ibarra", "two words": "rhiannon ibarra", "a pasted message": MESSAGE,
    }  # fmt: skip
    times: dict[str, list[float]] = {name: [] for name in asked}
    for _ in range(ROUNDS):
        for name, text in asked.items():
            times[name].append(milliseconds(lambda text=text: finder.up_to_date().find(text)))
    floor = statistics.median(times["nothing found"])
    print(f"{len(index.entries)} orders; made in {cold:.0f} ms, once")
    for name, found in times.items():
        median = statistics.median(found)
        print(f"{name:18} {median:7.2f} ms   over nothing found {median - floor:6.2f} ms")
    print("goal: at most 3 ms over a page that finds nothing")


if __name__ == "__main__":
    main()
