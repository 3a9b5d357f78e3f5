"""A studio of the version before this program's, with the rows of one of this version."""

import sqlite3
from contextlib import closing
from pathlib import Path

from app.shared.places import DataFolder
from app.tables import migrating
from tests.tables.test_migrating import made_at

EARLIER = sorted(migrating.SCHEMAS)[-2]
__all__ = ["EARLIER", "of_the_version_before"]


def of_the_version_before(folder: DataFolder, scratch: Path) -> None:
    """Put a closed studio's rows into tables of the version before, in its place: what was added
    since is left out."""
    old = made_at(scratch, EARLIER)
    with closing(sqlite3.connect(old, isolation_level=None)) as raw:
        raw.execute("PRAGMA foreign_keys = OFF")
        raw.execute("ATTACH ? AS new", (str(folder.database_file),))
        raw.execute("BEGIN")
        for (table,) in raw.execute(
            "SELECT name FROM main.sqlite_master WHERE type = 'table'"
            " AND name NOT IN ('alembic_version', 'sqlite_sequence')"
            " AND name NOT IN (SELECT name FROM pragma_table_list WHERE type = 'shadow')"
        ).fetchall():
            names = ", ".join(row[1] for row in raw.execute(f"PRAGMA main.table_info({table})"))
            raw.execute(f"DELETE FROM main.{table}")
            raw.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM new.{table}")
        raw.execute("COMMIT")
    for left in folder.path.glob("studio.db-*"):
        left.unlink()
    old.replace(folder.database_file)
