"""Looking at a studio's database without touching it: no lock, no write, no side files."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool

from app.shared.differences import Reading
from app.shared.errors import CannotStart
from app.tables.migrating import HEAD, check_schema

Stamp = tuple[int, int, bool]


def is_at_rest(path: Path) -> bool:
    """Whether no program has the database open: a WAL file lies beside it while one has."""
    return not path.with_name(f"{path.name}-wal").exists()


def stamp(path: Path) -> Stamp:
    """What changes when somebody opens the database for writing or writes to it."""
    facts = path.stat()
    return facts.st_mtime_ns, facts.st_size, is_at_rest(path)


@contextmanager
def looking_at(path: Path, *, at_rest: bool) -> Iterator[Reading]:
    """A way to read: each `with reading() as db` is one snapshot that cannot write.

    A reader of a WAL database keeps an index of the WAL beside it. Where nobody has it open
    there is no WAL to read: `at_rest` then reads the bare file as one that does not change, and
    leaves nothing behind. Raises CannotStart where the file is none of this program's version.
    """
    engine = _engine(path, at_rest)

    @contextmanager
    def reading() -> Iterator[Connection]:
        with engine.connect() as db:
            db.exec_driver_sql("BEGIN")
            yield db

    try:
        _check_version(path, reading)
        yield reading
    finally:
        engine.dispose()


def _engine(path: Path, at_rest: bool) -> Engine:
    address = f"{path.resolve().as_uri()}?mode=ro{'&immutable=1' if at_rest else ''}"

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(
            address, uri=True, isolation_level=None, timeout=10, check_same_thread=False
        )

    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)

    @event.listens_for(engine, "connect")
    def _set_up(raw: sqlite3.Connection, _: Any) -> None:
        raw.execute("PRAGMA query_only = ON")
        raw.execute("PRAGMA trusted_schema = OFF")
        raw.execute("PRAGMA cache_size = -64000")

    return engine


def _check_version(path: Path, reading: Reading) -> None:
    try:
        with reading() as db:
            found = db.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
            check_schema(raw_of(db), path, str(found))
    except CannotStart:
        raise
    except Exception as why:
        raise CannotStart(f"{path} is not a database of this program: {_reason(why)}.") from why
    if found != HEAD:
        raise CannotStart(
            f"{path} is from version {found}, this program is {HEAD}. "
            "Start the server once with this program, or use the one that wrote it."
        )


def raw_of(db: Connection) -> sqlite3.Connection:
    """SQLite's own connection under one of SQLAlchemy's."""
    raw = db.connection.driver_connection
    assert isinstance(raw, sqlite3.Connection)
    return raw


def _reason(why: Exception) -> str:
    return str(getattr(why, "orig", why))
