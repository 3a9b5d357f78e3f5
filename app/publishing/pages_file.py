"""The pages file, for writing: one row a link, keyed by the hash of its text.

journal_mode=DELETE, so that another process can read it without side files of its own. A write
is all of an order's rows or none.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from app.shared.faults import reach

_TABLES = """
CREATE TABLE IF NOT EXISTS pages (
    token_hash TEXT NOT NULL PRIMARY KEY,
    order_id INTEGER NOT NULL,
    html BLOB NOT NULL,
    written_at INTEGER NOT NULL,
    lapses_at INTEGER
) STRICT;
CREATE INDEX IF NOT EXISTS ix_pages_order_id ON pages (order_id);
CREATE TABLE IF NOT EXISTS pictures (
    order_id INTEGER NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    jpeg BLOB NOT NULL,
    PRIMARY KEY (order_id, name)
) STRICT;
CREATE TABLE IF NOT EXISTS published (
    place TEXT NOT NULL PRIMARY KEY,
    at INTEGER,
    trouble TEXT NOT NULL
) STRICT;
"""


@dataclass(frozen=True, slots=True)
class PageRow:
    """A page under one link. `lapses_at` is when the link stops opening it, or None."""

    token_hash: str
    order_id: int
    html: bytes
    written_at: int
    lapses_at: int | None


@dataclass(frozen=True, slots=True)
class PagePicture:
    """A picture of an order's page: its name beside it, its hash, and where its bytes are read if
    they are new."""

    name: str
    sha256: str
    path: Path


class PagesFile:
    """The pages file, open for writing."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._raw = sqlite3.connect(path, isolation_level=None, timeout=10, check_same_thread=False)
        for pragma in ("journal_mode = DELETE", "synchronous = FULL", "secure_delete = ON"):
            self._raw.execute(f"PRAGMA {pragma}")
        columns = self._raw.execute("SELECT name FROM pragma_table_info('pages')").fetchall()
        if columns and ("html",) not in columns:
            # By an older version, which kept what the page says: all of them are made anew.
            self._raw.execute("DROP TABLE pages")
            self.words = 0
        columns = self._raw.execute("SELECT name FROM pragma_table_info('pictures')").fetchall()
        if columns and ("name",) not in columns:
            self._raw.execute("DROP TABLE pictures")
            self.words = 0
        self._raw.executescript(_TABLES)

    @property
    def words(self) -> int:
        """The number of the wording in which the pages were written; 0 in a new file."""
        found: int = self._raw.execute("PRAGMA user_version").fetchone()[0]
        return found

    @words.setter
    def words(self, number: int) -> None:
        self._raw.execute(f"PRAGMA user_version = {int(number)}")

    def replace(
        self,
        order_ids: Iterable[int],
        rows: Iterable[PageRow],
        pictures: Mapping[int, Sequence[PagePicture]] | None = None,
    ) -> None:
        """Put these rows in the place of every row that the orders had, pictures too.

        `pictures` are by order. Raises OSError where one that is new cannot be read.
        """
        order_ids = list(order_ids)
        with self._writing():
            for order_id in order_ids:
                self._put_pictures(order_id, (pictures or {}).get(order_id, ()))
            self._raw.executemany(
                "DELETE FROM pages WHERE order_id = ?", [(order_id,) for order_id in order_ids]
            )
            self._raw.executemany(
                "INSERT INTO pages (token_hash, order_id, html, written_at, lapses_at)"
                " VALUES (?, ?, ?, ?, ?)",
                [
                    (row.token_hash, row.order_id, row.html, row.written_at, row.lapses_at)
                    for row in rows
                ],
            )

    def _put_pictures(self, order_id: int, pictures: Sequence[PagePicture]) -> None:
        """A picture that is there already is not written again: it is by far the largest part."""
        found = "SELECT name, sha256 FROM pictures WHERE order_id = ?"
        there = dict(self._raw.execute(found, (order_id,)).fetchall())
        wanted = {picture.name: picture for picture in pictures}
        for name, sha256 in there.items():
            if name not in wanted or wanted[name].sha256 != sha256:
                own = "DELETE FROM pictures WHERE order_id = ? AND name = ?"
                self._raw.execute(own, (order_id, name))
        for name, picture in wanted.items():
            if there.get(name) != picture.sha256:
                self._raw.execute(
                    "INSERT INTO pictures (order_id, name, sha256, jpeg) VALUES (?, ?, ?, ?)",
                    (order_id, name, picture.sha256, picture.path.read_bytes()),
                )

    def remove_lapsed(self, now: int) -> None:
        """Take out the pages whose links have lapsed."""
        lapsed = "FROM pages WHERE lapses_at <= ?"
        if self._raw.execute(f"SELECT 1 {lapsed} LIMIT 1", (now,)).fetchone():
            with self._writing():
                self._raw.execute(f"DELETE {lapsed}", (now,))
                self._raw.execute(
                    "DELETE FROM pictures WHERE order_id NOT IN (SELECT order_id FROM pages)"
                )

    def written_before(self, moment: int) -> set[int]:
        """The orders whose pages were last written before a moment."""
        rows = self._raw.execute("SELECT order_id FROM pages WHERE written_at < ?", (moment,))
        return {row[0] for row in rows}

    def note_published(self, place: str, now: int, trouble: str) -> None:
        """Keep that a folder was published to; with trouble, when that last went well stays."""
        self._raw.execute(
            "INSERT INTO published (place, at, trouble) VALUES (:place, :at, :trouble)"
            " ON CONFLICT (place) DO UPDATE SET at = coalesce(:at, at), trouble = :trouble",
            {"place": place, "at": None if trouble else now, "trouble": trouble},
        )

    @contextmanager
    def _writing(self) -> Iterator[None]:
        self._raw.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._raw.execute("ROLLBACK")
            raise
        reach("pages half written")
        self._raw.execute("COMMIT")
        reach("pages written")

    def close(self) -> None:
        """Let go of the file."""
        self._raw.close()


def read_all(path: Path) -> list[PageRow]:
    """Every row of a pages file, read without touching it. An absent file has none."""
    if not path.exists():
        return []
    with closing(for_reading(path)) as raw:
        found = raw.execute("SELECT token_hash, order_id, html, written_at, lapses_at FROM pages")
        return [PageRow(*row) for row in found]


def for_reading(path: Path, timeout: float = 10) -> sqlite3.Connection:
    """A pages file, open for reading only; it is waited for some seconds where it is locked."""
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=timeout)


def last_published(path: Path) -> dict[str, tuple[int | None, str]]:
    """By folder, when publishing to it last went well (or None), and what went wrong since."""
    with closing(for_reading(path, timeout=2)) as raw:
        try:
            rows = raw.execute("SELECT place, at, trouble FROM published").fetchall()
        except sqlite3.OperationalError:
            # Written by an older version, or busy at this moment: nothing is known.
            return {}
    return {place: (at, trouble) for place, at, trouble in rows}
