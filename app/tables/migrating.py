"""Bringing a studio's database to the program's own version, at start.

The version is read by plain SQL; Alembic (slow to import) is only loaded where the database is
behind. Before a migration of a database with content a packed copy is put aside.
"""

import gzip
import hashlib
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from app.shared.errors import CannotStart
from app.shared.faults import reach
from app.shared.places import shipped

# The digest of the schema that the migrations up to each number give. Once a version is out its
# number stays what it is: a change is a new migration, a new number and a new line here.
SCHEMAS = {
    "0001": "c71925623ed2d3eb91f0423c9f1811ae",
    "0002": "d89f1f77105b53d7c02bbfec9470d5d6",
    "0003": "49beeefbf7dd7c7e51f18829696867c3",
    "0004": "6b4a225d76f5faa7741f3e98110ce132",
    "0005": "6e0ce7d61a02dd936d06780a512856c9",
    "0006": "fae1fb67f919992f7bb0ce399117e89f",
    "0007": "2b697edf7d2af09346edffdcf2a8c798",
    "0008": "778d1233361bb63bcca4b4a0bc178111",
    "0009": "3f4e5bd505e1df7f896be7548df64525",
    "0010": "0b31989b4b2f655c68baf8edd3208f74",
    "0011": "9399c8ff140e759669902445b2d920d0",
    "0012": "89538c806b9125171a4978a34ec2feab",
}
HEAD = max(SCHEMAS)
# The label of a backup lies beside the studio's tables. What SQLite makes by itself is no part of
# a schema either: its own tables, and those in which a full-text index keeps its pages.
_SCHEMA = """
SELECT sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT GLOB 'sqlite_*'
AND tbl_name NOT IN ('alembic_version', 'backup', 'backup_pictures')
AND tbl_name NOT IN (SELECT name FROM pragma_table_list WHERE type = 'shadow')
"""
_WORDS = re.compile(r"'[^']*'|\w+|[^\s\w\"`]")
_FIRST_ROW = "INSERT OR IGNORE INTO house (id, version, demo, made_at) VALUES (1, 0, 0, ?)"


def version_of(path: Path) -> str | None:
    """The schema version of a database file, or None where it has none yet.

    Raises CannotStart where the file is no SQLite database, another program's, or of other tables
    than its version has.
    """
    if not path.exists():
        return None
    try:
        # As an address, so that a "?" or "#" in a folder's name stays part of the name.
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as raw:
            names = {row[0] for row in raw.execute("SELECT name FROM sqlite_master")}
            if not names:
                return None
            if not names >= {"alembic_version", "house", "transitions"}:
                raise CannotStart(f"{path} is a database, but of another program.")
            row = raw.execute("SELECT version_num FROM alembic_version").fetchone()
            if row:
                check_schema(raw, path, str(row[0]))
            return str(row[0]) if row else None
    except sqlite3.DatabaseError as why:
        raise CannotStart(f"{path} is not a database of this program: {why}.") from why


def check_schema(raw: sqlite3.Connection, path: Path, version: str) -> None:
    """Compare the tables of a database with those of its version; a newer one is not known.

    Raises CannotStart where they differ: pages would fail one by one, later and without a reason.
    """
    if version <= HEAD and schema_digest(raw) != SCHEMAS.get(version):
        raise CannotStart(
            f"{path} says that it is of version {version}, but its tables are not those of that "
            "version: an unfinished Likewright made it, or another program has changed it. "
            "Nothing was done. Restore the newest backup, or go on with the program that made it."
        )


def schema_digest(raw: sqlite3.Connection) -> str:
    """What the tables and indexes of a database are, in 32 signs.

    Spaces, quotes and the order of a statement's parts do not count: SQLite and SQLAlchemy write
    the same table down in more than one way.
    """
    statements = sorted(
        " ".join(sorted(_WORDS.findall(sql.lower()))) for (sql,) in raw.execute(_SCHEMA)
    )
    return hashlib.sha256("\n".join(statements).encode()).hexdigest()[:32]


def migrate(path: Path, now: int) -> None:
    """Bring a database to HEAD; a new file gets its tables and its one row of `house`.

    Raises CannotStart for a database that a newer program has written, and as `version_of` does.
    """
    found = version_of(path)
    if found == HEAD:
        return
    if found is not None and found > HEAD:
        raise CannotStart(
            f"{path} was written by a newer Likewright (version {found}). Install that one."
        )
    if found is not None:
        _put_aside(path, found)
    _upgrade(path, now)


def _put_aside(path: Path, version: str) -> None:
    plain = path.with_name(f"{path.stem}-before-{version}.db")
    # Left over where the power went during an earlier try; VACUUM INTO writes to no old file.
    plain.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("VACUUM INTO ?", (str(plain),))
    with plain.open("rb") as source, gzip.open(f"{plain}.gz", "wb") as packed:
        shutil.copyfileobj(source, packed)
    plain.unlink()


def _upgrade(path: Path, now: int) -> None:
    from alembic import command
    from sqlalchemy import URL, create_engine, event

    url = URL.create("sqlite", database=str(path))
    engine = create_engine(url, connect_args={"isolation_level": None})

    @event.listens_for(engine, "connect")
    def _set_up(raw: sqlite3.Connection, _: Any) -> None:
        # Rebuilding a parent table with foreign keys on would silently delete its children.
        raw.execute("PRAGMA foreign_keys = OFF")
        raw.execute("PRAGMA journal_mode = WAL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    try:
        with engine.begin() as connection:
            config = _config()
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            # In the same transaction: tables without the row would pass for a finished database.
            connection.exec_driver_sql(_FIRST_ROW, (now,))
            reach("mid-migration")
            # A library that writes tables down otherwise is found here, not at the next start.
            raw = connection.connection.driver_connection
            assert isinstance(raw, sqlite3.Connection)
            check_schema(raw, path, HEAD)
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
            if broken:
                raise CannotStart(
                    f"The migration would break {len(broken)} references. Nothing done."
                )
    finally:
        engine.dispose()


def _config() -> Any:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(shipped("migrations")))
    return config
