"""Publishing 2 000 pages against rendering one as often, and again with nothing changed: CPU.

The floor renders a page with the same template and writes nothing. Rounds are interleaved,
each on a folder of its own: in memory, so that it is the program that is measured, and then on
the disk, where making two thousand folders is most of the work. Run it alone:
python tests/benchmarks/bench_publish.py
"""

import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sqlalchemy import insert

from app.publishing.pages_file import PageRow, PagesFile
from app.publishing.publish import publish
from app.shared.places import DataFolder
from app.shared.tokens import new_nonce, status_token, token_hash
from app.status.rendering import page_html
from app.studio.workshop import Workshop
from app.tables import customers, orders, status_links
from app.tables.migrating import migrate
from tests.status.rows import NOW, page_at

PAGES, ROUNDS = 2_000, 5


class Bench(Workshop):
    """A workshop whose clock stands some time after the pages were written."""

    def now(self) -> int:
        return NOW + 3600


def filled(place: Path) -> Bench:
    """A studio with PAGES orders, a link each, and their pages, each with words of its own."""
    folder = DataFolder(place)
    folder.prepare()
    migrate(folder.database_file, NOW)
    workshop = Bench(folder)
    page = page_html(page_at("painting"))
    nonces = [new_nonce() for _ in range(PAGES)]
    hashes = [token_hash(status_token(folder.key, nonce)) for nonce in nonces]
    with workshop.database.writing() as db:
        db.execute(insert(customers).values(id=1, name="I", name_key="i", made_at=NOW))
        each = {"customer_id": 1, "taken_at": NOW, "recorded_at": NOW}
        db.execute(insert(orders), [{"id": n, "number": 2000 + n, **each} for n in range(PAGES)])
        db.execute(
            insert(status_links),
            [
                {"order_id": n, "nonce": nonces[n], "token_hash": hashes[n], "made_at": NOW}
                for n in range(PAGES)
            ],
        )
    file = PagesFile(folder.pages)
    file.replace(
        [],
        [
            PageRow(hashed, n, page.replace(b"1172", b"%d" % (2000 + n)), NOW, None)
            for n, hashed in enumerate(hashes)
        ],
    )
    file.close()
    return workshop


def cpu(act: Callable[[], object]) -> tuple[float, float]:
    """Milliseconds of CPU and of wall time."""
    wall, begun = time.perf_counter(), time.process_time()
    act()
    return (time.process_time() - begun) * 1e3, (time.perf_counter() - wall) * 1e3


def measure(place: Path) -> None:
    """Print the table for a studio and published folders under a place."""
    workshop = filled(place / "studio")
    page = page_at("painting")
    took: dict[str, list[tuple[float, float]]] = {
        "rendering alone": [], "publish all": [], "nothing changed": [], "one is missing": []
    }  # fmt: skip
    for turn in range(ROUNDS):
        again = partial(publish, workshop, to := place / f"pages-{turn}")
        took["rendering alone"].append(cpu(lambda: [page_html(page) for _ in range(PAGES)]))
        took["publish all"].append(cpu(again))
        took["nothing changed"].append(cpu(again))
        shutil.rmtree(next(path for path in to.iterdir() if len(path.name) > 40))
        took["one is missing"].append(cpu(again))
        assert len(list(to.glob("*/index.html"))) == PAGES
    workshop.close()
    size = len(page_html(page))
    print(f"{place}: {PAGES} pages of {size} bytes")
    middle = {name: statistics.median(c for c, _ in values) for name, values in took.items()}
    for name, values in took.items():
        wall = statistics.median(w for _, w in values)
        print(
            f"  {name:16} {middle[name]:7.1f} ms CPU {wall:8.1f} ms wall"
            f" {middle[name] / middle['rendering alone']:6.3f} × rendering"
            f" {middle[name] / middle['publish all']:6.3f} × all"
        )


def main() -> None:
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    memory = Path("/dev/shm")
    for where in (memory if memory.is_dir() else None, None):
        place = Path(tempfile.mkdtemp(dir=where))
        try:
            measure(place)
        finally:
            shutil.rmtree(place)


if __name__ == "__main__":
    main()
