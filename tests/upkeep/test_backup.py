"""Backups while others write, what is in them and what is not, one a night, old ones let go."""

import hashlib
import os
import sqlite3
import stat
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from app.flow.steps import Step
from app.history import files as sheets
from app.orders.order import links
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.shared.tokens import key_fingerprint
from app.upkeep import nightly
from app.upkeep.backup import StoredPicture, back_up, read_label
from app.upkeep.nightly import backups_folder, is_due, kept, tonight, warning
from tests.making import CAST, DAY, HOUR, NOW, Wanted, make_order, move, rows
from tests.publishing.conftest import TestWorkshop


@pytest.fixture
def to(tmp_path: Path) -> Path:
    return tmp_path.with_name(f"{tmp_path.name}-kept") / "studio-backup.db"


def ask(path: Path, query: str) -> list[tuple[object, ...]]:
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as raw:
        found = raw.execute(query).fetchall()
    raw.close()
    return found


def test_a_backup_holds_the_newest_commit_of_an_open_database(workshop, to) -> None:
    order = make_order(workshop.database, CAST.desk, NOW)
    move(workshop.database, order.model(), CAST.desk, NOW + 60, "photos_counted")
    # A plain copy of the file would miss it: it is still in the WAL.
    assert (workshop.folder.path / "studio.db-wal").stat().st_size > 0
    made = back_up(workshop.folder, to, NOW + 120)
    assert made.audit.ok
    assert ask(to, "SELECT step FROM models") == [(Step.PHOTOS_IN,)]
    assert ask(to, "PRAGMA integrity_check") == [("ok",)]
    assert ask(to, "PRAGMA journal_mode") == [("delete",)]
    assert [path.name for path in to.parent.iterdir()] == [to.name]


def test_only_its_owner_may_read_a_backup(workshop, to) -> None:
    back_up(workshop.folder, to, NOW)
    assert stat.S_IMODE(to.stat().st_mode) == 0o600
    assert stat.S_IMODE(to.parent.stat().st_mode) == 0o700


def test_neither_key_nor_link_is_in_any_byte_of_it(workshop, to) -> None:
    order = make_order(workshop.database, CAST.desk, NOW)
    with workshop.database.writing() as db:
        token = links.make(db, workshop.folder.key, order.id, None, NOW)
    back_up(workshop.folder, to, NOW)
    content = to.read_bytes()
    for secret in (workshop.folder.key, workshop.folder.key.hex().encode(), token.encode()):
        assert secret not in content
    assert read_label(to).key_fingerprint == key_fingerprint(workshop.folder.key)


def test_the_label_lists_the_pictures(workshop, to) -> None:
    folder = workshop.folder.pictures / "1001"
    folder.mkdir()
    (folder / "side.jpg").write_bytes(b"a side view")
    (folder / "elsewhere.jpg").symlink_to("/etc/passwd")
    made = back_up(workshop.folder, to, NOW)
    assert made.pictures == 1
    (picture,) = read_label(to).pictures
    assert (picture.path, picture.size) == ("1001/side.jpg", 11)
    assert picture.sha256 == hashlib.sha256(b"a side view").hexdigest()


def test_a_picture_that_did_not_change_is_not_read_again(workshop, to) -> None:
    path = workshop.folder.pictures / "side.jpg"
    path.write_bytes(b"a side view")
    facts = path.stat()
    known = {"side.jpg": StoredPicture("side.jpg", facts.st_size, facts.st_mtime_ns, "as it was")}
    back_up(workshop.folder, to, NOW, known)
    assert [one.sha256 for one in read_label(to).pictures] == ["as it was"]
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns + 1))
    back_up(workshop.folder, to.with_name("next.db"), NOW, known)
    assert [one.sha256 for one in read_label(to.with_name("next.db")).pictures] != ["as it was"]


def test_no_other_file_s_place_is_taken(workshop, to) -> None:
    to.parent.mkdir()
    to.write_text("something dear")
    with pytest.raises(CannotStart, match="already exists"):
        back_up(workshop.folder, to, NOW)
    assert to.read_text() == "something dear"


def test_a_folder_without_a_studio_has_no_backup(tmp_path, to) -> None:
    with pytest.raises(CannotStart, match="There is no workshop"):
        back_up(DataFolder(tmp_path / "nothing"), to, NOW)
    assert not to.parent.exists()


def test_what_the_audit_finds_is_said_and_the_backup_kept(workshop, to) -> None:
    make_order(workshop.database, CAST.desk, NOW)
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE models SET step = 'painting'")
    made = back_up(workshop.folder, to, NOW)
    assert not made.audit.ok
    assert to.exists()


def test_a_damaged_database_gets_no_backup(workshop, to) -> None:
    for _ in range(30):
        make_order(workshop.database, CAST.desk, NOW, [Wanted(copies=8)])
    workshop.database.close()
    with sqlite3.connect(workshop.folder.database_file) as raw:
        page = raw.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'ix_copies_order_id'"
            " OR (type = 'index' AND tbl_name = 'transitions') LIMIT 1"
        ).fetchone()[0]
        size = raw.execute("PRAGMA page_size").fetchone()[0]
    raw.close()
    with workshop.folder.database_file.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xff" * size)
    with pytest.raises(CannotStart):
        back_up(workshop.folder, to, NOW)
    assert not to.exists()
    assert not list(to.parent.glob(".*"))


def test_a_backup_under_writers_is_one_moment_of_the_house(workshop, to) -> None:
    stop, made = threading.Event(), [0]

    def write() -> None:
        while not stop.is_set():
            order = make_order(workshop.database, CAST.desk, NOW)
            move(workshop.database, order.model(), CAST.desk, NOW, "photos_counted")
            made[0] += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for n in range(5):
            done = back_up(workshop.folder, to.with_name(f"{n}.db"), NOW + 300)
            assert done.audit.ok, done.audit.differences
    finally:
        stop.set()
        writer.join()
    assert made[0] > 5
    assert rows(workshop.database, "SELECT count(*) FROM orders") == [(made[0],)]


def test_a_cut_in_the_middle_leaves_no_backup_and_the_next_one_works(workshop, to) -> None:
    make_order(workshop.database, CAST.desk, NOW)
    command = [sys.executable, "-m", "app", "backup", str(to), "--data", str(workshop.folder.path)]
    cut = subprocess.run(command, env=os.environ | {"LIKEWRIGHT_FAULT": "mid-backup"}, timeout=60)
    assert cut.returncode == 86
    assert not to.exists()
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "Keep one copy of" in done.stdout
    assert "elsewhere" in done.stdout
    assert [path.name for path in to.parent.iterdir()] == [to.name]


# ---------------------------------------------------------------- every night


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


@pytest.mark.parametrize(
    ("newest", "now", "due"),
    [
        (None, "2026-03-04T10:00", True),
        ("2026-03-04T02:00", "2026-03-04T10:00", False),
        ("2026-03-04T01:59", "2026-03-04T10:00", True),
        ("2026-03-03T02:00", "2026-03-04T01:59", False),
        ("2026-03-03T02:00", "2026-03-04T02:00", True),
        # Summer time begins on 29 March at 1:00 UTC; two o'clock is then skipped in London.
        ("2026-03-28T02:00", "2026-03-29T03:00", True),
        ("2026-07-01T01:00", "2026-07-01T12:00", False),
    ],
)
def test_a_backup_is_due_once_a_night(workshop, newest, now, due) -> None:
    calendar = workshop.in_force().calendar
    assert is_due(at(newest) if newest else None, at(now), calendar) is due


def test_one_a_night_and_fourteen_are_kept(workshop) -> None:
    make_order(workshop.database, CAST.desk, NOW)
    stranger = backups_folder(workshop) / "likewright-by-hand.db"
    for night in range(17):
        workshop.moment = NOW + night * DAY
        assert tonight(workshop) is not None
        assert tonight(workshop) is None
        stranger.touch()
    there = kept(backups_folder(workshop))
    assert [moment for moment, _ in there] == [NOW + night * DAY for night in range(3, 17)]
    assert all(read_label(path).made_at == moment for moment, path in there)
    assert stranger.exists()


def test_how_many_are_kept_and_where_can_be_set(workshop, tmp_path, monkeypatch) -> None:
    place = tmp_path.with_name(f"{tmp_path.name}-disk")
    monkeypatch.setenv("LIKEWRIGHT_BACKUPS", str(place))
    monkeypatch.setenv("LIKEWRIGHT_BACKUPS_KEEP", "2")
    for night in range(4):
        workshop.moment = NOW + night * DAY
        tonight(workshop)
    assert len(kept(place)) == 2


def test_halves_that_a_cut_left_are_cleared_the_next_night(workshop) -> None:
    place = backups_folder(workshop)
    place.mkdir()
    half = place / ".likewright-20260301T020000Z.db.part"
    half.touch()
    (place / ".something-else").touch()
    tonight(workshop)
    assert not half.exists()
    assert (place / ".something-else").exists()


def test_an_old_backup_is_said_on_every_page(workshop) -> None:
    assert warning(workshop) is None
    tonight(workshop)
    workshop.moment += 2 * DAY
    assert warning(workshop) is None
    workshop.moment += HOUR
    assert (warning(workshop) or "").startswith("The last backup was made on 4 March.")
    tonight(workshop)
    workshop.moment += 60
    assert warning(workshop) is None


def test_a_studio_that_never_had_a_backup_is_told_after_two_days(workshop) -> None:
    workshop.moment += DAY + HOUR
    assert (warning(workshop) or "").startswith("There is no backup yet.")


def one_turn(workshop: TestWorkshop) -> list[float]:
    """Let the worker look once; gives how long it would wait then."""
    turns: list[float] = []

    class Once:
        def is_set(self) -> bool:
            return bool(turns)

        def wait(self, seconds: float | None = None) -> bool:
            turns.append(seconds or 0)
            return True

    nightly.run(workshop, Once())  # type: ignore[arg-type]
    return turns


def test_why_no_backup_could_be_made_is_said(workshop, tmp_path, monkeypatch) -> None:
    blocked = tmp_path.with_name(f"{tmp_path.name}-file")
    blocked.write_text("a file, not a folder")
    monkeypatch.setenv("LIKEWRIGHT_BACKUPS", str(blocked / "in-it"))
    assert one_turn(workshop) == [900]
    workshop.moment += 3 * DAY
    assert "could not be written" in (warning(workshop) or "")


def test_an_invented_studio_is_not_backed_up(workshop: TestWorkshop) -> None:
    workshop.demo = True
    one_turn(workshop)
    workshop.moment += 5 * DAY
    assert warning(workshop) is None
    assert not backups_folder(workshop).exists()


@pytest.mark.parametrize("demo", [False, True])
def test_a_sheet_that_was_sent_lies_here_for_a_day_and_no_longer(workshop, demo) -> None:
    workshop.demo = demo
    key = sheets.keep(workshop.folder, b"Customer,Animal\nAda Aldermoor,Otto\n", "old.csv")
    for path in workshop.folder.sheets.iterdir():
        os.utime(path, (workshop.moment, workshop.moment))
    workshop.moment += DAY - HOUR
    one_turn(workshop)
    assert sheets.waiting(workshop.folder) == [(key, "old.csv")]
    workshop.moment += 2 * HOUR
    one_turn(workshop)
    assert not list(workshop.folder.sheets.iterdir())
