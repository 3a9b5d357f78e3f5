import json
import shutil
import sqlite3
import time
from pathlib import Path

import pytest

from app.flow.actions import Wish, record
from app.flow.amendments import undo
from app.flow.rules import Kind
from app.flow.steps import Of
from app.flow.store import Ref
from app.shared.database import Database
from app.shared.differences import Difference
from app.shared.errors import CannotStart
from app.shared.people import Person, Role
from app.shared.places import DataFolder
from app.upkeep import audit_command
from app.upkeep.audit import audit
from tests.demo.invented import A_TUESDAY, invent, rows


@pytest.fixture(scope="session")
def invented(tmp_path_factory):
    folder, _ = invent(tmp_path_factory.mktemp("audited"), months=5, per_month=40)
    return folder


@pytest.fixture
def studio(invented, tmp_path):
    """A studio of the test's own."""
    shutil.copytree(invented.path, tmp_path / "studio")
    return DataFolder(tmp_path / "studio")


def change(folder, *statements):
    """Change the database by hand, as nobody should."""
    raw = sqlite3.connect(folder.database_file)
    raw.execute("PRAGMA ignore_check_constraints = ON")
    for statement in statements:
        raw.execute(statement)
    raw.commit()
    raw.close()


def found_in(folder):
    result = audit(folder, A_TUESDAY)
    assert result.ok == (not result.differences)
    return {(d.what, d.id, d.field) for d in result.differences}


def test_an_invented_studio_is_clean(invented, capsys):
    result = audit(invented, A_TUESDAY)
    assert result.differences == []
    assert result.ok
    assert result.counts["transitions"] == len(rows(invented, "SELECT id FROM transitions"))
    assert result.counts["copies"] == len(rows(invented, "SELECT id FROM copies"))
    assert result.counts["stays"] > 500
    assert audit_command.main(invented, False) == 0
    assert "Everything agrees with the log." in capsys.readouterr().out


def test_one_step_changed_by_hand_is_named_and_ends_with_1(studio, capsys):
    row = rows(studio, "SELECT id, step FROM copies WHERE step = 'painting' AND open = 1")[0]
    change(studio, f"UPDATE copies SET step = 'packing' WHERE id = {row['id']}")
    assert audit_command.main(studio, True) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["ok"] is False
    assert told["differences"] == [
        {"what": "copy", "id": row["id"], "field": "step", "cached": "packing",
         "from_log": "painting"}
    ]  # fmt: skip
    assert audit_command.main(studio, False) == 1
    table = capsys.readouterr().out
    assert "1 difference:" in table
    assert f"copy  {row['id']}" in table


@pytest.mark.parametrize("step", ["received", "replaced", "cancelled"])
def test_closed_and_replaced_copies_are_looked_at_too(studio, step):
    row = rows(studio, "SELECT id FROM copies WHERE step = ? LIMIT 1", step)[0]
    change(studio, f"UPDATE copies SET reworks = reworks + 1 WHERE id = {row['id']}")
    assert found_in(studio) == {("copy", row["id"], "reworks")}


def test_a_withdrawn_remake_is_looked_at_too(studio):
    who = Person(2, Role.DESK, "Tobias Okafor")
    row = rows(studio, "SELECT id FROM copies WHERE step = 'painting' AND hold_whose = ''")[0]
    wish = Wish(Ref(Of.COPY, row["id"]), Kind.MOVE, "remake", reason="ear broke off")
    database = Database(studio.database_file)
    try:
        done = record(database, [wish], who, A_TUESDAY + 60)
        undo(database, done.act, who, A_TUESDAY + 120)
    finally:
        database.close()
    assert found_in(studio) == set()
    withdrawn = done.made[0].id
    change(studio, f"UPDATE copies SET step = 'blank' WHERE id = {withdrawn} AND withdrawn = 1")
    assert found_in(studio) == {("copy", withdrawn, "step")}


@pytest.mark.parametrize(
    ("table", "what", "changed", "field"),
    [
        ("models", "model", "passed_at = passed_at - 60", "passed_at"),
        ("models", "model", "attempts = attempts + 1", "attempts"),
        ("copies", "copy", "entered_at = entered_at - 1", "entered_at"),
        ("copies", "copy", "version = version + 1", "version"),
        ("copies", "copy", "in_hand = 1 - in_hand", "in_hand"),
        ("copies", "copy", "hold_whose = 'studio'", "hold_whose"),
        ("copies", "copy", "gates = '7:'", "gates"),
        ("copies", "copy", "aside_reason = 'glue'", "aside_reason"),
    ],
)
def test_each_cached_column_is_compared(studio, table, what, changed, field):
    passed = "WHERE passed_at IS NOT NULL" if table == "models" else "WHERE step = 'received'"
    row = rows(studio, f"SELECT id FROM {table} {passed} LIMIT 1")[0]
    change(studio, f"UPDATE {table} SET {changed} WHERE id = {row['id']}")
    assert (what, row["id"], field) in found_in(studio)


def test_who_stands_on_a_base_and_whether_it_began_too_early_is_looked_at(studio):
    group = rows(studio, "SELECT g.copy_id, g.model_id FROM copy_companions g JOIN copies c"
                 " ON c.id = g.copy_id WHERE c.step = 'received' LIMIT 1")[0]  # fmt: skip
    change(studio, f"UPDATE models SET step = 'finishing' WHERE id = {group['model_id']}")
    assert ("copy", group["copy_id"], "step") in found_in(studio)
    change(
        studio,
        "UPDATE copy_companions SET order_animal_id = (SELECT max(id) FROM order_animals)"
        f" WHERE copy_id = {group['copy_id']}",
    )
    assert ("copy", group["copy_id"], "on its base") in found_in(studio)


def test_an_order_that_says_open_while_its_pieces_are_not_is_found(studio):
    row = rows(studio, "SELECT id FROM orders WHERE open = 0 LIMIT 1")[0]
    change(studio, f"UPDATE orders SET open = 1 WHERE id = {row['id']}")
    assert found_in(studio) == {("order", row["id"], "open")}


def test_an_entry_taken_out_of_the_log_leaves_a_gap(studio):
    row = rows(
        studio,
        "SELECT id, copy_id FROM transitions WHERE kind = 'start' AND copy_id IS NOT NULL LIMIT 1",
    )[0]
    change(studio, f"DELETE FROM transitions WHERE id = {row['id']}")
    assert "seq" in {field for what, _, field in found_in(studio) if what == "transition"}


def test_a_log_without_any_entry_is_found(studio):
    row = rows(studio, "SELECT id FROM copies WHERE step = 'not_begun' LIMIT 1")[0]
    change(studio, f"DELETE FROM transitions WHERE copy_id = {row['id']}")
    assert ("copy", row["id"], "step") in found_in(studio)


def test_an_entry_that_another_step_was_left_is_found(studio):
    row = rows(studio, "SELECT id FROM transitions WHERE move = 'shaped' LIMIT 1")[0]
    change(studio, f"UPDATE transitions SET from_step = 'packing' WHERE id = {row['id']}")
    assert found_in(studio) == {("transition", row["id"], "from_step")}


def test_moments_that_cannot_be_are_found(studio):
    one, two = rows(studio, "SELECT id FROM transitions WHERE move = 'received' LIMIT 2")
    change(
        studio,
        f"UPDATE transitions SET recorded_at = happened_at - 5 WHERE id = {one['id']}",
        f"UPDATE transitions SET recorded_at = {A_TUESDAY + 9_000} WHERE id = {two['id']}",
    )
    assert found_in(studio) == {
        ("transition", one["id"], "happened_at"),
        ("transition", two["id"], "recorded_at"),
    }


def test_a_move_before_the_one_that_it_follows_is_found(studio):
    row = rows(studio, "SELECT id, copy_id FROM transitions WHERE move = 'passed' LIMIT 1")[0]
    change(
        studio, f"UPDATE transitions SET happened_at = happened_at - 9000000 WHERE id = {row['id']}"
    )
    assert ("transition", row["id"], "happened_at") in found_in(studio)


def test_two_acts_under_one_number_are_found(studio):
    first, other = rows(studio, "SELECT id, act FROM transitions WHERE move = 'painted' LIMIT 2")
    change(studio, f"UPDATE transitions SET act = {first['act']} WHERE id = {other['id']}")
    assert ("act", first["act"], "entries") in found_in(studio)


def test_a_reference_to_nothing_is_found(studio):
    change(studio, "DELETE FROM accounts WHERE role = 'owner'")
    assert "reference" in {field for _, _, field in found_in(studio)}


def test_settings_that_cannot_be_read_are_a_difference_not_a_crash(studio):
    change(studio, "UPDATE settings SET value = '\"Nowhere/Atall\"' WHERE name = 'zone'")
    assert ("settings", 0, "value") in found_in(studio)


def test_a_damaged_file_is_a_difference(studio, capsys):
    content = bytearray(studio.database_file.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 40_000] = b"\x5a" * 40_000
    studio.database_file.write_bytes(content)
    assert audit_command.main(studio, True) == 1
    told = json.loads(capsys.readouterr().out)
    assert {difference["field"] for difference in told["differences"]} == {"integrity"}


def test_it_works_beside_a_server_that_writes(studio):
    database = Database(studio.database_file)
    try:
        with database.writing() as db:
            db.exec_driver_sql("UPDATE copies SET bench_note = 'beside us'")
            # The writer holds its lock, has written and not committed: the audit does not wait.
            began = time.monotonic()
            assert audit(studio, A_TUESDAY).ok
            assert time.monotonic() - began < 8
        row = rows(studio, "SELECT id FROM copies WHERE step = 'received' LIMIT 1")[0]
        with database.writing() as db:
            db.exec_driver_sql(f"UPDATE copies SET step = 'shaping' WHERE id = {row['id']}")
        # Committed, but still in the log beside the file.
        assert found_in(studio) == {("copy", row["id"], "step")}
    finally:
        database.close()


def test_it_writes_nothing_and_leaves_nothing_behind(studio):
    def stand() -> dict[Path, tuple[int, bytes]]:
        files = [path for path in studio.path.rglob("*") if path.is_file()]
        return {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in files}

    before = stand()
    assert audit(studio, A_TUESDAY).ok
    assert stand() == before


def test_what_cannot_be_audited_ends_with_2(tmp_path, capsys):
    assert audit_command.main(DataFolder(tmp_path / "nowhere"), True) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "There is no workshop" in told.err
    other = DataFolder(tmp_path)
    other.database_file.write_text("a letter, not a database\n" * 50)
    assert audit_command.main(other, False) == 2
    assert "is not a database of this program" in capsys.readouterr().err


def test_another_version_is_not_audited_and_not_migrated(studio, capsys):
    change(studio, "UPDATE alembic_version SET version_num = '0000'")
    before = studio.database_file.read_bytes()
    assert audit_command.main(studio, False) == 2
    assert "version 0000" in capsys.readouterr().err
    assert studio.database_file.read_bytes() == before
    with pytest.raises(CannotStart):
        audit(studio, A_TUESDAY)


def test_pages_are_compared_by_whoever_knows_them(studio):
    asked = []

    def pages(reading, pages_path, database, now):
        assert pages_path == studio.pages
        with reading() as db:
            asked.append(db.exec_driver_sql("SELECT count(*) FROM orders").scalar())
        assert database.settings.name == "Saltmarsh Bench"
        return 3, [Difference("page", 12, "text", "here", "there")]

    result = audit(studio, A_TUESDAY, pages)
    assert asked == [result.counts["orders"]]
    assert result.counts["pages"] == 3
    assert result.differences == [Difference("page", 12, "text", "here", "there")]
    assert not result.ok


def test_a_copy_handed_over_without_a_parcel_is_named(studio):
    [row] = rows(studio, "SELECT id FROM copies WHERE parcel_id IS NOT NULL"
                         " AND step = 'received' LIMIT 1")  # fmt: skip
    change(studio, f"UPDATE copies SET parcel_id = NULL WHERE id = {row['id']}")
    assert found_in(studio) == {("copy", row["id"], "parcel")}
