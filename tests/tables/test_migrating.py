"""The database is brought to the program's version, or refused in words."""

import gzip
import hashlib
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, insert

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.shared.database import Database
from app.shared.errors import CannotStart
from app.shared.places import DataFolder, shipped
from app.tables import metadata, migrating, questions
from app.upkeep.audit import audit
from tests.making import CAST, HOUR, NOW, Wanted, fingerprint, make_order, move


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
        assert raw.execute("SELECT * FROM house").fetchall() == [(1, 0, 0, NOW, None)]
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


# ---------------------------------------------------------------- versions that are out

# A migration that was changed after it was out would let old studios pass for new ones. A file
# here never changes again: a change of the tables is a new file, and its sum a new line.
SUMS = {
    "0001_the_first_tables.py": "a5365381f8b285037277f90209398a6f3bae59a5a06bfebe753988fea0d0d5a2",
    "0002_the_key_s_fingerprint.py": "92069e3050b1b7f309f10e3da946246e7f085003a36ae99a4e3c7b999156be10",
    "0003_why_it_takes_longer.py": "368034eb8f3c096aa8626208dbb4ea8b43989c31fe18529d4e7dd44a9329f166",
    "0004_what_a_question_stops.py": "a1cdf2252af22458667d0cced49c5a6c306e93ce5e37deb240aebaea63ea9284",
    "0005_a_line_of_one_s_own.py": "98e046e30685c13bb04a3a108786afa713fa57c55f827c486b7b400fab920795",
    "0006_colours.py": "abad2cb464b6543efaa96ba080d455bddd4da65806abeedd2792f8ef962bec6f",
    "0007_where_sizes_are_measured.py": "cd9505c8a13c6d9e4db17a656e11f2a65752c7cff252cc50428d8d6aeac2289e",
    "0008_an_order_s_wishes_for_the_bench.py": "d5e3b1c2b5ffb86eea1d02313ac961dc8587eb702e07dd904712b48e49cb8f33",
    "0009_the_commission.py": "e2e70bde8b2c7a65af655824f3b787724f37145412216b1f23f31279580c3988",
    "0010_the_bench_and_the_parcel.py": "045b36e31758bdbfbeedbd7208a1776d3442afb93172b8374e154bd80818bd21",
    "0011_history_and_the_owner.py": "12843b51aec5d38f9322d04b87374a5041688335bac680df01afafb1c0a9177c",
    "0012_the_book_and_moving_in.py": "36ae30f6cbc6afe4e6c420eafdd14bab4229535196dca62dee0b6e94f93c07cb",
}


def made_at(folder: Path, version: str) -> Path:
    """A database file made by the migrations up to a version."""
    path = folder / f"made-at-{version}.db"
    engine = create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        config = migrating._config()
        config.attributes["connection"] = connection
        command.upgrade(config, version)
        connection.exec_driver_sql(migrating._FIRST_ROW, (NOW,))
    engine.dispose()
    return path


def digest_of(path: Path) -> str:
    with closing(sqlite3.connect(path)) as raw:
        return migrating.schema_digest(raw)


def run_in(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as raw:
        for statement in statements:
            raw.execute(statement)


def test_a_migration_that_is_out_never_changes_again():
    files = sorted((shipped("migrations") / "versions").glob("*.py"))
    assert {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in files} == SUMS


@pytest.mark.parametrize("version", migrating.SCHEMAS)
def test_each_version_promises_the_tables_that_its_migrations_give(tmp_path, version):
    assert digest_of(made_at(tmp_path, version)) == migrating.SCHEMAS[version]


@pytest.mark.parametrize(
    "change",
    [
        "DROP TABLE machines",
        "ALTER TABLE models ADD COLUMN later TEXT",
        "ALTER TABLE models RENAME COLUMN limits TO limit_words",
        "DROP INDEX ix_news_to_tell",
        "CREATE TABLE extras (id INTEGER) STRICT",
    ],
)
@pytest.mark.parametrize("version", migrating.SCHEMAS)
def test_other_tables_than_the_version_promises_are_refused_in_words(tmp_path, version, change):
    path = made_at(tmp_path, version)
    run_in(path, "PRAGMA legacy_alter_table = ON", change)
    before = fingerprint(path)
    with pytest.raises(CannotStart, match=f"of version {version}, but its tables are not those"):
        migrating.migrate(path, NOW)
    assert fingerprint(path) == before


def test_what_sqlite_keeps_for_itself_and_how_a_table_is_written_down_do_not_count(path):
    migrating.migrate(path, NOW)
    [(written,)] = [(s,) for s in statements_of(path) if "TABLE closures" in s]
    again = written.replace("CREATE TABLE closures", 'CREATE  TABLE\n"closures"')
    run_in(
        path, "DROP TABLE closures", again,
        "INSERT INTO closures VALUES (1, '2026-01-01', '2026-01-02', 'frost', NULL)", "ANALYZE",
    )  # fmt: skip
    migrating.migrate(path, NOW)
    run_in(path, "CREATE VIRTUAL TABLE found USING fts5(words, tokenize = 'trigram')")
    with_index = digest_of(path)
    assert with_index != migrating.SCHEMAS[migrating.HEAD]
    run_in(
        path, "INSERT INTO found VALUES ('Juniper')", "INSERT INTO found(found) VALUES ('optimize')"
    )
    assert digest_of(path) == with_index


def statements_of(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as raw:
        return [row[0] for row in raw.execute("SELECT sql FROM sqlite_master") if row[0]]


def test_a_studio_of_the_first_version_opens_with_all_that_is_in_it(
    tmp_path, database, studio_file
):
    order = make_order(database, CAST.desk, NOW, [Wanted(copies=2)])
    move(database, order.model(), CAST.desk, NOW + 60, "photos_counted")
    for kind, question in ((Kind.ASK, 1), (Kind.ASK, 2), (Kind.ANSWER, 1)):
        ask = Wish(order.copy("A2"), kind, question_id=question)
        with database.writing() as db:
            if kind is Kind.ASK:
                db.execute(insert(questions).values(order_id=order.id, topic="x", asked="?",
                                                    asked_at=NOW))  # fmt: skip
        record(database, [ask], CAST.desk, NOW + 120)
    database.close()
    folder = DataFolder(tmp_path / "old")
    folder.prepare()
    made_at(tmp_path, "0001").rename(folder.database_file)
    pour(studio_file, folder.database_file)
    migrating.migrate(folder.database_file, NOW + HOUR)
    assert migrating.version_of(folder.database_file) == migrating.HEAD
    result = audit(folder, NOW + HOUR)
    assert result.differences == []
    with closing(sqlite3.connect(folder.database_file)) as raw:
        assert raw.execute("SELECT gates FROM copies ORDER BY id").fetchall() == [(None,), ("2:",)]
    assert (result.counts["orders"], result.counts["models"], result.counts["copies"]) == (1, 1, 2)


# Columns of earlier versions, by what they would hold.
SINCE_GONE = {"asking": "gates IS NOT NULL"}


def pour(source: Path, target: Path) -> None:
    """Copy all rows of one database into another, column by column where both have it."""
    with closing(sqlite3.connect(target, isolation_level=None)) as raw:
        raw.execute("PRAGMA foreign_keys = OFF")
        raw.execute("ATTACH ? AS new", (str(source),))
        raw.execute("BEGIN")
        for (table,) in raw.execute(
            "SELECT name FROM main.sqlite_master WHERE type = 'table' AND name <> 'alembic_version'"
        ).fetchall():
            names = [row[1] for row in raw.execute(f"PRAGMA main.table_info({table})")]
            columns = ", ".join(names)
            values = ", ".join(SINCE_GONE.get(name, name) for name in names)
            raw.execute(f"DELETE FROM main.{table}")
            raw.execute(f"INSERT INTO main.{table} ({columns}) SELECT {values} FROM new.{table}")
        raw.execute("COMMIT")


# ---------------------------------------------------------------- from one version to the next

HEAD = migrating.HEAD
AHEAD = f"{int(HEAD) + 1:04}"
NEXT = '''"""One more table."""

import sqlalchemy as sa
from alembic import op

revision = "{ahead}"
down_revision = "{head}"


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
        (home / "versions" / f"{AHEAD}_one_more.py").write_text(
            NEXT.format(more=more, ahead=AHEAD, head=HEAD)
        )
        monkeypatch.setattr(migrating, "HEAD", AHEAD)
        monkeypatch.setattr(migrating, "shipped", lambda name: home.parent / name)
        if more == "pass":
            made = made_at(tmp_path, AHEAD)
            monkeypatch.setitem(migrating.SCHEMAS, AHEAD, digest_of(made))

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
    assert migrating.version_of(path) == AHEAD
    packed = path.with_name(f"studio-before-{HEAD}.db.gz")
    assert not packed.with_suffix("").exists()
    unpacked = path.with_name("unpacked.db")
    unpacked.write_bytes(gzip.decompress(packed.read_bytes()))
    assert fingerprint(unpacked) == before
    assert migrating.version_of(unpacked) == HEAD


def test_a_copy_that_was_cut_short_by_a_crash_is_made_anew(path, next_program):
    with_content(path)
    path.with_name(f"studio-before-{HEAD}.db").write_bytes(b"half a copy")
    path.with_name(f"studio-before-{HEAD}.db.gz").write_bytes(b"half a")
    next_program()
    migrating.migrate(path, NOW)
    packed = path.with_name(f"studio-before-{HEAD}.db.gz").read_bytes()
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
    assert migrating.version_of(path) == HEAD
