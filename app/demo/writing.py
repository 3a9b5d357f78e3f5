"""Writing the invented studio: rows in bulk, in one transaction."""

import sqlite3
from pathlib import Path
from types import TracebackType
from typing import Self

from app.demo.ledger import Row
from app.shared.errors import CannotStart


class Writer:
    """An open transaction on a migrated, empty database; it is rolled back unless committed."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> Self:
        if not self._path.exists():
            raise CannotStart(f"There is no database at {self._path}.")
        self._raw = sqlite3.connect(self._path, isolation_level=None, timeout=10)
        # Rows come in the order of time, not of reference; all references are checked at the end.
        self._raw.execute("PRAGMA foreign_keys = OFF")
        try:
            self._raw.execute("BEGIN IMMEDIATE")
            if self._raw.execute("SELECT 1 FROM orders LIMIT 1").fetchone():
                raise CannotStart(f"{self._path} holds orders already. Name another folder.")
        except sqlite3.DatabaseError as why:
            self._raw.close()
            raise CannotStart(f"{self._path} cannot be filled: {why}.") from why
        except CannotStart:
            self._raw.close()
            raise
        return self

    def add(self, table: str, rows: list[Row]) -> None:
        """Insert rows that all have the same columns."""
        if not rows:
            return
        names = list(rows[0])
        columns, places = ", ".join(names), ", ".join(f":{name}" for name in names)
        # Table and columns are named by this room, never by a visitor.
        self._raw.executemany(f"INSERT INTO {table} ({columns}) VALUES ({places})", rows)  # noqa: S608

    def commit(self, made_at: int) -> None:
        """Mark the house as a demo, check every reference, and put it all on disk."""
        self._raw.execute(
            "UPDATE house SET demo = 1, version = version + 1, made_at = ?", (made_at,)
        )
        broken = self._raw.execute("PRAGMA foreign_key_check").fetchmany(5)
        if broken:
            raise CannotStart(f"The demo's own references are broken: {broken}.")
        self._raw.execute("COMMIT")

    def __exit__(
        self, kind: type[BaseException] | None, why: BaseException | None, tb: TracebackType | None
    ) -> None:
        if self._raw.in_transaction:
            self._raw.execute("ROLLBACK")
        self._raw.close()
