"""The tables themselves refuse what must not be in them, whoever writes."""

import sqlite3

import pytest

from app.tables import metadata
from tests.making import CAST, NOW, Wanted, make_order


@pytest.fixture
def raw(database, studio_file):
    make_order(database, CAST.desk, NOW, [Wanted()])
    raw = sqlite3.connect(studio_file)
    raw.execute("PRAGMA foreign_keys = ON")
    yield raw
    raw.close()


def test_every_table_is_strict(raw):
    found = raw.execute("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'")
    strict = dict(found.fetchall())
    assert all(strict[name] for name in metadata.tables)


def test_there_are_no_triggers(raw):
    # A cached step that was changed by hand has to be found by the audit, not put right unseen.
    assert raw.execute("SELECT count(*) FROM sqlite_master WHERE type = 'trigger'").fetchone() == (
        0,
    )


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE transitions SET kind = 'jump'",
        "UPDATE transitions SET happened_at = recorded_at + 1",
        "UPDATE transitions SET copy_id = 1 WHERE model_id = 1",
        "UPDATE transitions SET model_id = NULL WHERE model_id = 1",
        "UPDATE transitions SET happened_at = 'today'",
        "UPDATE transitions SET time_is = 'guessed'",
        "UPDATE transitions SET account_id = 99",
        "INSERT INTO transitions SELECT 9, act, model_id, copy_id, seq, kind, move, from_step,"
        " to_step, happened_at, recorded_at, time_is, account_id, reason, cause, whose, until,"
        " look_on, amount, question_id, about_id, once FROM transitions WHERE id = 1",
        "UPDATE copies SET size_mm = 3",
        "UPDATE copies SET size_mm = 'big'",
        "UPDATE copies SET open = 2",
        "UPDATE copies SET model_id = 99",
        "UPDATE copies SET step = NULL",
        "INSERT INTO house VALUES (2, 0, 0, 0, NULL)",
        "UPDATE accounts SET role = 'king' WHERE id = 1",
        "UPDATE animals SET life = 'gone'",
        "UPDATE orders SET paid = 'twice'",
        "UPDATE orders SET gift = 'yes'",
        "INSERT INTO closures VALUES (1, '2026-01-02', '2026-01-01', '', NULL)",
        "INSERT INTO parcels (way, carrier, number, number_key, ship_to, note, sent_at)"
        " VALUES ('carrier', '', '', '', '', '', 0)",
        "DELETE FROM animals",
        "DELETE FROM models",
        "DELETE FROM accounts",
    ],
)
def test_what_cannot_be_is_refused(raw, statement):
    with pytest.raises(sqlite3.IntegrityError):
        raw.execute(statement)


def test_the_benches_are_read_by_their_own_index(raw):
    for table in ("models", "copies"):
        plan = raw.execute(
            f"EXPLAIN QUERY PLAN SELECT id FROM {table} WHERE open = 1 ORDER BY step, entered_at"
        ).fetchall()
        assert any(f"ix_{table}_at_work" in row[3] for row in plan), plan


@pytest.mark.parametrize("piece", ["model_id", "copy_id"])
def test_the_log_of_a_piece_is_read_by_index_and_in_order(raw, piece):
    plan = raw.execute(
        f"EXPLAIN QUERY PLAN SELECT * FROM transitions WHERE {piece} = 1 ORDER BY seq"
    ).fetchall()
    assert len(plan) == 1, plan
    assert "SEARCH transitions USING INDEX" in plan[0][3]
