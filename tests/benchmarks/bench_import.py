"""Bringing a sheet in beside its floor: `PYTHONPATH=. python tests/benchmarks/bench_import.py`.

The floor reads the same cells with csv, checks them with a pydantic TypeAdapter (each distinct
day read once) and writes the same rows with executemany on raw sqlite3,
synchronous FULL as the house has it. Rounds are interleaved, CPU of the process, medians. Then
50 000 rows in a process of their own, and the most memory that it ever had.
"""

import csv
import gc
import io
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from datetime import date, datetime
from functools import cache
from pathlib import Path
from statistics import median
from time import process_time
from typing import Annotated, Any

from pydantic import BeforeValidator, TypeAdapter
from typing_extensions import TypedDict

from app.history import actions, columns, rules, table
from app.shared.places import DataFolder
from app.tables.migrating import migrate
from tests.history.sheets import TODAY, sheet
from tests.making import CAST, NOW
from tests.staff.browser import ClockedWorkshop

ROUNDS = 7
MOST_TIMES, MOST_MB = 4.0, 300


@cache
def _day(cell: str) -> Any:
    if not cell:
        return None
    how = "%d.%m.%Y" if cell[2] == "." else "%d %B %Y"
    return datetime.strptime(cell, how).date()


Day = Annotated[date | None, BeforeValidator(_day)]
Row = TypedDict("Row", {
    "Order no": str, "Customer": str, "Email": str, "Animal name": str, "Kind": str,
    "Markings": str, "Life": str, "Size mm": int, "Copies": int, "Ordered": Day,
    "Photos came": Day, "Photos passed": Day, "Packed": Day, "Sent": Day, "Cancelled": Day,
    "Status": str, "Remarks": str,
})  # fmt: skip
ADAPTER = TypeAdapter(list[Row])


@cache
def noon(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, 12).timestamp())


def floor(data: bytes, path: Path) -> None:
    """What nothing that reads, checks and keeps these rows could do without."""
    rows = ADAPTER.validate_python(
        list(csv.DictReader(io.StringIO(data.decode(), newline=""), delimiter=";"))
    )
    raw = sqlite3.connect(path, isolation_level=None)
    raw.execute("PRAGMA journal_mode = WAL")
    raw.execute("PRAGMA synchronous = FULL")
    raw.execute("BEGIN IMMEDIATE")
    raw.execute(
        "INSERT INTO imports (id, at, file, choices, pieces, orders, left_out)"
        " VALUES (1, 0, '', '{}', 0, 0, 0)"
    )
    who = [(n, r["Customer"], r["Customer"].casefold(), "", "", "", "", "", NOW, "en")
           for n, r in enumerate(rows, 1)]  # fmt: skip
    raw.executemany(
        "INSERT INTO customers (id, name, name_key, address_as, phone, phone_digits, note,"
        " also_known_as, made_at, language) VALUES (?,?,?,?,?,?,?,?,?,?)", who,
    )  # fmt: skip
    raw.executemany(
        "INSERT INTO customer_mails (customer_id, mail, mail_key, receives) VALUES (?, ?, ?, 1)",
        [(n, r["Email"], r["Email"]) for n, r in enumerate(rows, 1) if r["Email"]],
    )
    raw.executemany(
        "INSERT INTO animals (id, customer_id, name, name_key, kind, breed, sex, age_shown, height,"
        " colours, life, note) VALUES (?, ?, ?, ?, ?, '', 'not_said', '', '', '', 'not_said', '')",
        [(n, n, r["Animal name"], r["Animal name"].casefold(), r["Kind"])
         for n, r in enumerate(rows, 1)],
    )  # fmt: skip
    raw.executemany(
        "INSERT INTO marks (animal_id, place, side, what, must) VALUES (?, '', 'left', ?, 1)",
        [(n, mark) for n, r in enumerate(rows, 1) for mark in r["Markings"].split(";") if mark],
    )
    raw.executemany(
        "INSERT INTO past_pieces (import_id, line, customer_id, animal_id, order_key, reference,"
        " size_mm, note, started_at, ended_at, cancelled, by_day, steps)"
        " VALUES (1, ?, ?, ?, ?, ?, ?, '', ?, ?, 0, 1, '{}')",
        [(n, n, n, n, r["Order no"], r["Size mm"], noon(r["Ordered"]),
          noon(r["Sent"] or r["Cancelled"] or TODAY)) for n, r in enumerate(rows, 1)],
    )  # fmt: skip
    raw.execute("COMMIT")
    raw.close()


def ours(data: bytes, workshop: ClockedWorkshop) -> None:
    """The whole way of the command, from the bytes to the rows."""
    found = table.read(data)
    choices = columns.guess(found, "DE")
    reading = rules.read(found, choices, TODAY)
    actions.bring_in(workshop, reading, choices, "sheet.csv", CAST.owner)


def one_round(template: Path, data: bytes) -> tuple[float, float]:
    with tempfile.TemporaryDirectory() as place:
        folder = DataFolder(Path(place) / "data")
        folder.prepare()
        shutil.copyfile(template, folder.database_file)
        other = Path(shutil.copyfile(template, Path(place) / "floor.db"))
        workshop = ClockedWorkshop(folder)
        workshop.in_force()
        gc.collect()
        begun = process_time()
        ours(data, workshop)
        own = process_time() - begun
        workshop.close()
        gc.collect()
        begun = process_time()
        floor(data, other)
        return own, process_time() - begun


def house(place: Path) -> Path:
    """An empty house with its accounts."""
    path = place / "template.db"
    migrate(path, NOW)
    raw = sqlite3.connect(path)
    with raw:
        raw.executemany(
            "INSERT INTO accounts (id, name, name_key, role, password_hash, made_at)"
            " VALUES (?, ?, ?, ?, '', 0)",
            [(p.account_id, p.name, p.name.casefold(), str(p.role)) for p in CAST.everybody],
        )
    raw.close()
    return path


def most_memory(rows: int) -> float:
    """MB that a process had at most that brought in so many rows."""
    done = subprocess.run(
        [sys.executable, __file__, "--rows", str(rows)], capture_output=True, text=True, check=True
    )
    return float(done.stdout)


def main() -> None:
    with tempfile.TemporaryDirectory() as place:
        template = house(Path(place))
        if "--rows" in sys.argv:
            data = sheet(int(sys.argv[-1]), open_=0).data
            one_round(template, data)
            print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
            return
        data = sheet(5000, open_=0).data
        one_round(template, data)
        rounds = [one_round(template, data) for _ in range(ROUNDS)]
        own, least = median(r[0] for r in rounds), median(r[1] for r in rounds)
        times = own / least
        print(f"5 000 rows: {1000 * own:.0f} ms, floor {1000 * least:.0f} ms, {times:.2f} times")
        most = most_memory(50_000)
        print(f"50 000 rows: {most:.0f} MB at most")
        within = times <= MOST_TIMES and most <= MOST_MB
        print("within" if within else "NOT WITHIN", f"{MOST_TIMES:g} times and {MOST_MB} MB")


if __name__ == "__main__":
    main()
