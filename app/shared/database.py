"""SQLite, one writer at a time.

A write takes one lock in the process, then BEGIN IMMEDIATE on the only writing connection, and
is on disk (WAL, synchronous FULL) before the block ends. The lock, not SQLite's sleeping busy
handler, makes writers queue fairly; one connection that writes and checkpoints also keeps clear
of the fault in which SQLite before 3.51.3 can lose a commit when two connections do both.
Readers see one snapshot each and cannot write.
"""

import logging
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from sqlite3 import Connection as RawConnection
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import QueuePool

from app.shared.errors import CannotWrite
from app.shared.faults import reach

_log = logging.getLogger("likewright")
# By SQLite's primary result codes (sqlite.org/rescode.html).
_DISK = {
    8: "The disk may not be written to",
    10: "The disk does not answer as it should",
    13: "The disk is full",
    14: "The disk does not open its files",
}
_COUNT_A_WRITE = text("UPDATE house SET version = version + 1")
_READERS = 16


class Database:
    """The studio's database: `writing()` and `reading()` are the only ways in."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._turn = threading.Lock()
        self._writer = _engine(path, "BEGIN IMMEDIATE", connections=1, read_only=False)
        self._reader = _engine(path, "BEGIN", connections=_READERS, read_only=True)

    @contextmanager
    def writing(self, *, quietly: bool = False) -> Iterator[Connection]:
        """One transaction that writes: all of it is on disk when the block ends, or none.

        `quietly` is for what no page of the staff shows: open pages are not redrawn for it.
        Raises CannotWrite where the disk is full, read-only or failing.
        """
        with self._turn, _in_words(self.path):
            with self._writer.begin() as db:
                yield db
                # Every write counts, not only moves: open pages ask by it whether to redraw.
                db.execute(_COUNT_A_WRITE)
                reach("before commit")
            reach("after commit")

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One consistent view that cannot write."""
        with self._reader.begin() as db:
            yield db

    def take_in_log(self) -> None:
        """Bring the write-ahead log into the file and empty it, so that what was erased is in
        neither. Where somebody reads just now, the next checkpoint does it."""
        with self._turn, closing(self._writer.raw_connection()) as raw:
            raw.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)").close()

    def close(self) -> None:
        """Let go of every connection."""
        self._reader.dispose()
        self._writer.dispose()


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    """What the disk refuses, as a refusal: the person can do something about it."""
    try:
        yield
    except OperationalError as why:
        code = getattr(why.orig, "sqlite_errorcode", 0) & 0xFF
        if code not in _DISK:
            raise
        _log.error("the database could not be written: %s", why.orig)
        raise CannotWrite(
            f"{_DISK[code]} ({path.parent}). Nothing was changed, and what was saved before is "
            "safe. Make room or have it looked at, then do this again."
        ) from why


def _engine(path: Path, begin: str, *, connections: int, read_only: bool) -> Engine:
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        poolclass=QueuePool,
        pool_size=connections,
        max_overflow=0,
        # Rows hold names, mails and hashes: an error in the log must not.
        hide_parameters=True,
        connect_args={"check_same_thread": False, "isolation_level": None, "timeout": 10},
    )

    @event.listens_for(engine, "connect")
    def _set_up(raw: RawConnection, _: Any) -> None:
        for pragma in _pragmas(read_only):
            raw.execute(pragma)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def _pragmas(read_only: bool) -> list[str]:
    common = [
        "PRAGMA foreign_keys = ON",
        "PRAGMA busy_timeout = 10000",
        "PRAGMA trusted_schema = OFF",
        "PRAGMA cache_size = -32000",
    ]
    if read_only:
        return [*common, "PRAGMA query_only = ON"]
    return [
        "PRAGMA journal_mode = WAL",
        "PRAGMA synchronous = FULL",
        "PRAGMA secure_delete = ON",
        *common,
    ]
