"""The database is brought to the program's version, or refused in words."""

import gzip
import re
import shutil
import sqlite3

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine

from app.shared.database import Database
from app.shared.errors import CannotStart
from app.shared.places import shipped
from app.tables import metadata, migrating
from tests.making import NOW, fingerprint


@pytest.fixture
def path(tmp_path):
    return tmp_path / "studio.db"


def schema(path) -> dict[str, list[str]]:
    """What sqlite_master says of each thing, spaces folded, the parts of a table sorted."""
    with sqlite3.connect(path) as raw:
        found = raw.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    raw.close()
    return {name: parts(sql) for name, sql in found if name != "alembic_version"}


def parts(sql: str) -> list[str]:
    """A CREATE statement cut at its outermost commas: columns in order, constraints sorted."""
    sql = re.sub(r"\s+", " ", sql)
    head, _, rest = sql.partition("(")
    body, _, tail = rest.rpartition(")")
    depth, found = 0, [""]
    for sign in body:
        depth += (sign == "(") - (sign == ")")
        if sign == "," and not depth:
            found.append("")
        else:
            found[-1] += sign
    found = [part.strip() for part in found]
    columns = [part for part in found if not part.startswith("CONSTRAINT")]
    constraints = sorted(part for part in found if part.startswith("CONSTRAINT"))
    return [head.strip(), *columns, *constraints, tail.strip()]


def test_cutting_a_statement_keeps_nested_commas_and_sorts_constraints():
    sql = "CREATE TABLE t (\n a TEXT, CONSTRAINT z CHECK (a IN ('x', 'y')), CONSTRAINT b UNIQUE (a)\n) STRICT"
    assert parts(sql) == [
        "CREATE TABLE t", "a TEXT", "CONSTRAINT b UNIQUE (a)",
        "CONSTRAINT z CHECK (a IN ('x', 'y'))", "STRICT",
    ]  # fmt: skip


def test_the_migrations_give_what_the_tables_declare(path, tmp_path):
    migrating.migrate(path, NOW)
    declared = tmp_path / "declared.db"
    engine = create_engine(f"sqlite:///{declared}")
    metadata.create_all(engine)
    engine.dispose()
    migrated, wanted = schema(path), schema(declared)
    assert set(migrated) == set(wanted)
    for name in wanted:
        assert migrated[name] == wanted[name]


def test_the_migration_tool_sees_no_difference_either(path):
    migrating.migrate(path, NOW)
    engine = create_engine(f"sqlite:///{path}")
    with engine.connect() as db:
        context = MigrationContext.configure(db, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
    engine.dispose()


def test_the_newest_migration_is_the_one_that_the_program_knows():
    files = sorted(p.name for p in (shipped("migrations") / "versions").glob("*.py"))
    assert files[-1].startswith(migrating.HEAD)


def test_a_fresh_file_gets_its_tables_and_its_one_row(path):
    assert migrating.version_of(path) is None
    migrating.migrate(path, NOW)
    assert migrating.version_of(path) == migrating.HEAD
    with sqlite3.connect(path) as raw:
        assert raw.execute("SELECT * FROM house").fetchall() == [(1, 0, 0, NOW)]
        assert raw.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    raw.close()
    assert not list(path.parent.glob("*before*"))


def test_migrating_again_changes_nothing(path):
    migrating.migrate(path, NOW)
    before = fingerprint(path)
    migrating.migrate(path, NOW + 99)
    assert fingerprint(path) == before


def set_version(path, version: str) -> None:
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE alembic_version SET version_num = ?", (version,))
    raw.close()


def test_a_newer_database_is_refused_in_words_and_left_alone(path):
    migrating.migrate(path, NOW)
    set_version(path, "0999")
    before = fingerprint(path)
    with pytest.raises(CannotStart, match=r"newer Likewright \(version 0999\)"):
        migrating.migrate(path, NOW)
    assert fingerprint(path) == before


def test_a_file_that_is_no_database_is_refused_in_words_and_left_alone(path):
    path.write_text("a shopping list, longer than the head of a database file\n" * 20)
    before = path.read_bytes()
    with pytest.raises(CannotStart, match="not a database of this program"):
        migrating.migrate(path, NOW)
    assert path.read_bytes() == before


def test_a_database_of_another_program_is_refused_in_words_and_left_alone(path):
    with sqlite3.connect(path) as raw:
        raw.execute("CREATE TABLE recipes (name TEXT)")
    raw.close()
    before = fingerprint(path)
    with pytest.raises(CannotStart, match="of another program"):
        migrating.migrate(path, NOW)
    assert fingerprint(path) == before


def test_an_empty_file_is_a_fresh_one(path):
    path.touch()
    migrating.migrate(path, NOW)
    assert migrating.version_of(path) == migrating.HEAD


def test_a_folder_may_have_any_name(tmp_path):
    path = tmp_path / "what? #1 100%20" / "studio.db"
    path.parent.mkdir()
    migrating.migrate(path, NOW)
    assert migrating.version_of(path) == migrating.HEAD
    database = Database(path)
    with database.writing() as db:
        db.exec_driver_sql("UPDATE house SET demo = 1")
    database.close()
    assert sorted(p.name for p in tmp_path.iterdir()) == [path.parent.name]


# ---------------------------------------------------------------- from one version to the next

NEXT = '''"""One more table."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table("extras", sa.Column("id", sa.Integer(), primary_key=True), sqlite_strict=True)
    {more}
'''


@pytest.fixture
def next_program(tmp_path, monkeypatch):
    """A program that is one migration ahead; call it with a line more for that migration."""
    home = tmp_path / "program" / "migrations"
    shutil.copytree(shipped("migrations"), home, ignore=shutil.ignore_patterns("__pycache__"))

    def ahead(more: str = "pass") -> None:
        (home / "versions" / "0002_one_more.py").write_text(NEXT.format(more=more))
        monkeypatch.setattr(migrating, "HEAD", "0002")
        monkeypatch.setattr(migrating, "shipped", lambda name: home.parent / name)

    return ahead


def with_content(path) -> None:
    migrating.migrate(path, NOW)
    with sqlite3.connect(path) as raw:
        raw.execute("INSERT INTO closures VALUES (1, '2026-01-01', '2026-01-02', 'frost', NULL)")
    raw.close()


def test_a_packed_copy_is_put_aside_before_a_migration(path, next_program):
    with_content(path)
    before = fingerprint(path)
    next_program()
    migrating.migrate(path, NOW)
    assert migrating.version_of(path) == "0002"
    packed = path.with_name("studio-before-0001.db.gz")
    assert not packed.with_suffix("").exists()
    unpacked = path.with_name("unpacked.db")
    unpacked.write_bytes(gzip.decompress(packed.read_bytes()))
    assert fingerprint(unpacked) == before
    assert migrating.version_of(unpacked) == "0001"


def test_a_copy_that_was_cut_short_by_a_crash_is_made_anew(path, next_program):
    with_content(path)
    path.with_name("studio-before-0001.db").write_bytes(b"half a copy")
    path.with_name("studio-before-0001.db.gz").write_bytes(b"half a")
    next_program()
    migrating.migrate(path, NOW)
    packed = path.with_name("studio-before-0001.db.gz").read_bytes()
    assert gzip.decompress(packed).startswith(b"SQLite format 3")


def test_what_was_in_the_database_is_still_there_afterwards(path, next_program):
    with_content(path)
    next_program()
    migrating.migrate(path, NOW)
    with sqlite3.connect(path) as raw:
        assert raw.execute("SELECT reason FROM closures").fetchall() == [("frost",)]
        assert raw.execute("SELECT count(*) FROM extras").fetchone() == (0,)
    raw.close()


@pytest.mark.parametrize(
    ("more", "error"),
    [
        ("raise OSError('the lights went out')", OSError),
        (
            'op.execute("INSERT INTO news (order_id, letter, kind, round, at)'
            " VALUES (77, '', 'x', 0, 0)\")",
            CannotStart,
        ),
    ],
    ids=["stopped", "broken references"],
)
def test_a_migration_that_fails_leaves_the_database_as_it_was(path, next_program, more, error):
    with_content(path)
    before = fingerprint(path)
    next_program(more)
    with pytest.raises(error):
        migrating.migrate(path, NOW)
    assert fingerprint(path) == before
    assert migrating.version_of(path) == "0001"
