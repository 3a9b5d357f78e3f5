"""Making the invented studio: the history in memory, then all of it in one transaction."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from random import Random

from app.demo import afterwards, house
from app.demo.copies import Copies
from app.demo.floor import DemoFloor, Progress
from app.demo.history import History
from app.demo.hours import HOUR, lay_out, worked_before
from app.demo.intake import Intake
from app.demo.ledger import Ledger, Row
from app.demo.machines import Blanks, Builders
from app.demo.models import Models
from app.demo.trouble import Trouble
from app.demo.words import load
from app.shared.calendar import DAY
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.studio.rules import StudioSettings
from app.tables import metadata


@contextmanager
def _writing(path: Path) -> Iterator[sqlite3.Connection]:
    """A transaction on a migrated, empty database. Closing takes back what was not committed."""
    if not path.exists():
        raise CannotStart(f"There is no database at {path}.")
    with closing(sqlite3.connect(path, isolation_level=None, timeout=10)) as raw:
        # Rows come in the order of time, not of reference; all references are checked at the end.
        raw.execute("PRAGMA foreign_keys = OFF")
        try:
            raw.execute("BEGIN IMMEDIATE")
            taken = raw.execute("SELECT 1 FROM orders LIMIT 1").fetchone()
        except sqlite3.DatabaseError as why:
            raise CannotStart(f"{path} cannot be filled: {why}.") from why
        if taken:
            raise CannotStart(f"{path} holds orders already. Name another folder.")
        yield raw


def _add(raw: sqlite3.Connection, table: str, rows: list[Row]) -> None:
    """Insert rows; what one does not name is what the table's class gives it."""
    columns = metadata.tables[table].columns
    blank = {c.name: getattr(c.default, "arg", None) for c in columns}
    names, places = ", ".join(blank), ", ".join(f":{name}" for name in blank)
    # Table and columns are named by this program, never by a visitor.
    insert = f"INSERT INTO {table} ({names}) VALUES ({places})"  # noqa: S608
    raw.executemany(insert, ({**blank, **row} for row in rows))


def _commit(raw: sqlite3.Connection, made_at: int) -> None:
    """Mark the house as a demo, check every reference, and put it all on disk."""
    raw.execute("UPDATE house SET demo = 1, version = version + 1, made_at = ?", (made_at,))
    if broken := raw.execute("PRAGMA foreign_key_check").fetchmany(5):
        raise CannotStart(f"The demo's own references are broken: {broken}.")
    raw.execute("COMMIT")


@dataclass(frozen=True, slots=True)
class DemoStudio:
    """What was made: its name and counts."""

    name: str
    orders: int
    open_orders: int
    transitions: int


def build(
    folder: DataFolder, now: int, months: int, per_month: int, seed: int, progress: Progress,
    *, hires: bool = True,
) -> DemoStudio:  # fmt: skip
    """Fill a migrated, empty studio.db with an invented history of some months that ends `now`.

    The same arguments give the same studio; one that never `hires` has the same orders and chances
    as one in which somebody new came, and differs by nothing else. `progress` is told what is being
    done and which part of the whole is done, 0 to 1. Raises CannotStart where the folder holds
    orders already, or no migrated database; nothing is written then, nor where anything else fails.
    """
    if months < 1 or per_month < 1:
        raise CannotStart("A demo needs at least one month and one order a month.")
    with _writing(folder.database_file) as raw:
        ledger = Ledger(partial(_add, raw))
        floor, name = _history(ledger, now, months, per_month, seed, progress, hires=hires)
        afterwards.write_all(floor, lambda part: progress("writing it down", 0.85 + 0.1 * part))
        still_open = sum(job.row["open"] for job in floor.jobs)
        made = DemoStudio(name, len(floor.jobs), still_open, ledger.entries)
        ledger.flush()
        progress("writing it down", 0.97)
        _commit(raw, floor.start)
    progress("ready", 1.0)
    return made


def _history(
    ledger: Ledger, now: int, months: int, per_month: int, seed: int, progress: Progress,
    *, hires: bool,
) -> tuple[DemoFloor, str]:  # fmt: skip
    """The floor after its whole history, and the studio's name."""
    # Not for secrets: the same seed shall give the same studio.
    rng = Random(seed)  # noqa: S311
    words = load()
    size = house.size_for(per_month)
    settings = house.settings_of(words, size)
    start = now - round(months * 30.44 * DAY)
    today = datetime.fromtimestamp(now, settings.zone_info()).date()
    first = datetime.fromtimestamp(start, settings.zone_info()).date() - timedelta(days=60)
    last = today + timedelta(days=60)
    shut = house.closures(words, first, today)
    calendar = house.calendar_of(settings, shut, first, today)
    open_hours = lay_out(calendar, first, last)
    # The fewer orders a day, the longer it takes until something lies on every bench.
    reserve = round(min(80.0, max(16.0, 1300 / per_month)) * HOUR)
    floor = DemoFloor(
        rng, words, ledger, calendar, (start, now), open_hours,
        worked_before(calendar, now, reserve),
    )  # fmt: skip
    accounts = house.hire(ledger, words, size, start)
    house.put_to_work(floor, accounts, first, last)
    if (new := house.hired_at(floor)) is not None:
        floor.apart_from, floor.seed = new, seed
        if hires:
            house.take_on(floor, size, new, last)
    house.write_down(ledger, words, settings, shut, start)
    _wire(floor, size, settings, per_month)
    floor.run(lambda what, part: progress(what, 0.85 * part))
    return floor, settings.name


def _wire(floor: DemoFloor, size: house.Size, settings: StudioSettings, per_month: int) -> None:
    """Join those who see the pieces through, and lay out the orders."""
    trouble, intake = Trouble(floor), Intake(floor, settings.first_number)
    builders = Builders(floor, house.builders_of(floor, floor.words, size))
    Models(floor, intake, builders, trouble, settings.copy_deadline_working_days)
    Copies(floor, intake, Blanks(floor, size.blanks, house.breakdowns(floor, 80, 4)), trouble)
    History(floor, intake, trouble).plan(per_month)
