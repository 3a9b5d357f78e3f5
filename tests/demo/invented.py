"""A small invented studio for tests, made in a folder of its own."""

import sqlite3
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from app.demo.build import DemoStudio, build
from app.shared.places import DataFolder
from app.tables.migrating import migrate

ZONE = ZoneInfo("Europe/London")
A_TUESDAY = int(datetime(2026, 11, 24, 15, 20, tzinfo=ZONE).timestamp())
A_SUNDAY_NIGHT = int(datetime(2026, 3, 29, 3, 30, tzinfo=ZONE).timestamp())
BETWEEN_THE_YEARS = int(datetime(2026, 12, 29, 13, 0, tzinfo=ZONE).timestamp())


def invent(
    path: Path, now: int = A_TUESDAY, months: int = 14, per_month: int = 45, seed: int = 1,
    *, hires: bool = True,
) -> tuple[DataFolder, DemoStudio]:  # fmt: skip
    """Make a studio and say what was made."""
    folder = DataFolder(path)
    folder.prepare()
    migrate(folder.database_file, now)
    return folder, build(folder, now, months, per_month, seed, lambda what, part: None, hires=hires)


def rows(folder: DataFolder, query: str, *values: object) -> list[sqlite3.Row]:
    """Rows of the studio's database."""
    raw = sqlite3.connect(folder.database_file)
    raw.row_factory = sqlite3.Row
    try:
        return raw.execute(query, values).fetchall()
    finally:
        raw.close()
