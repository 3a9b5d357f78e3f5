"""Photos beside a backup, and a backup restored on trial: by the night, and at the prompt."""

import shutil
from contextlib import closing
from pathlib import Path

import pytest

from app import opening
from app.shared.errors import CannotStart
from app.shared.places import DataFolder, hash_of
from app.upkeep import backup_command, drill, in_order, nightly
from app.upkeep.audit import audit
from app.upkeep.backup import back_up, read_label
from app.upkeep.pictures_kept import keep_pictures
from app.upkeep.restore import restore
from tests.making import CAST, DAY, HOUR, NOW, make_order
from tests.making import rows as plain
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import linked_order


@pytest.fixture
def away(tmp_path: Path) -> Path:
    """Another disk."""
    return tmp_path.with_name(f"{tmp_path.name}-away")


def photograph(workshop: TestWorkshop, order: int, content: bytes) -> Path:
    """A photo of an order: its row, and its file under the hash of its bytes."""
    half = workshop.folder.pictures / "half"
    half.parent.mkdir(exist_ok=True)
    half.write_bytes(content)
    sha = hash_of(half)
    path = f"originals/{sha[:2]}/{sha}.jpg"
    (workshop.folder.pictures / path).parent.mkdir(parents=True, exist_ok=True)
    half.replace(workshop.folder.pictures / path)
    with workshop.database.writing() as db:
        insert = (
            "INSERT INTO photo_deliveries (order_id, told_at, way, link) VALUES (?, ?, 'link', '')"
        )
        made = db.exec_driver_sql(insert, (order, NOW)).lastrowid
        db.exec_driver_sql(
            "INSERT INTO pictures (order_id, delivery_id, sha256, size, path, name, format, width,"
            " height, taken, came_at) VALUES (?, ?, ?, ?, ?, '', 'JPEG', 1, 1, '', ?)",
            (order, made, sha, len(content), path, NOW),
        )
    return workshop.folder.pictures / path


def test_photos_are_copied_once_and_come_back_whole(workshop, away: Path, capsys) -> None:
    order = make_order(workshop.database, CAST.desk, NOW)
    first = photograph(workshop, order.id, b"one")
    assert backup_command.main(workshop.folder, away / "a.db", away / "photos") == 0
    assert "One photo in" in capsys.readouterr().out
    second = photograph(workshop, order.id, b"two")
    before = {path: path.stat().st_mtime_ns for path in (away / "photos").rglob("*")}
    assert backup_command.main(workshop.folder, away / "b.db", away / "photos") == 0
    said = capsys.readouterr().out
    assert "Two photos in" in said
    assert "1 of them new" in said
    assert "and " + str(workshop.folder.pictures) not in said
    kept = [path for path in (away / "photos").rglob("*") if path.is_file()]
    assert sorted(map(hash_of, kept)) == sorted(path.name for path in kept)
    assert all(path.stat().st_mtime_ns == before[path] for path in kept if path in before)

    workshop.close()
    key = workshop.folder.key_file.read_bytes()
    shutil.rmtree(workshop.folder.path)
    fresh = DataFolder(workshop.folder.path)
    fresh.path.mkdir()
    fresh.key_file.write_bytes(key)
    done = restore(fresh, away / "b.db", NOW + DAY, pictures=away / "photos")
    assert (done.brought_back, done.lost, done.changed) == (2, [], [])
    assert (first.read_bytes(), second.read_bytes()) == (b"one", b"two")
    assert first.stat().st_mode & 0o077 == 0
    found = audit(fresh, NOW + DAY, with_pictures=True, with_key=True)
    assert found.differences == []
    assert found.counts["pictures"] == 2


def test_a_photo_that_is_not_what_it_was_is_neither_kept_nor_brought_back(
    workshop, away: Path
) -> None:
    order = make_order(workshop.database, CAST.desk, NOW)
    path = photograph(workshop, order.id, b"one")
    back_up(workshop.folder, away / "a.db", NOW)
    named = read_label(away / "a.db").pictures
    path.write_bytes(b"two")
    with pytest.raises(CannotStart, match="is not the photo that it was"):
        keep_pictures(workshop.folder.pictures, away / "photos", named)
    assert not [one for one in (away / "photos").rglob("*") if one.is_file()]
    path.write_bytes(b"one")
    assert keep_pictures(workshop.folder.pictures, away / "photos", named) == (1, 1)
    [kept] = [one for one in (away / "photos").rglob("*") if one.is_file()]
    kept.write_bytes(b"six")
    path.unlink()
    workshop.close()
    done = restore(workshop.folder, away / "a.db", NOW + DAY, pictures=away / "photos")
    assert (done.brought_back, len(done.lost)) == (0, 1)


def test_a_backup_restored_on_trial_leaves_nothing_behind_and_the_owner_reads_of_it(
    workshop: TestWorkshop, away: Path
) -> None:
    linked_order(workshop)
    back_up(workshop.folder, away / "a.db", NOW)
    before = sorted(away.iterdir())
    workshop.moment = NOW + HOUR
    assert in_order.on_trial(workshop) == []
    assert drill.try_out(workshop, away / "a.db") == ""
    assert sorted(away.iterdir()) == before
    [said] = in_order.on_trial(workshop)
    assert said.good
    assert "came back whole" in said.text
    assert plain(workshop.database, "SELECT at, backup_at, why FROM drills") == [
        (NOW + HOUR, NOW, "")
    ]


def test_what_is_wrong_with_a_backup_comes_out_on_trial(workshop, away: Path) -> None:
    order, _ = linked_order(workshop)
    path = photograph(workshop, order.id, b"one")
    back_up(workshop.folder, away / "a.db", NOW)
    path.unlink()
    assert drill.try_out(workshop, away / "a.db") == "One photo of it can no longer be found."
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE models SET step = 'ready'")
    back_up(workshop.folder, away / "b.db", NOW)
    assert "The audit of it finds" in drill.try_out(workshop, away / "b.db")
    workshop.folder.key_file.write_bytes(bytes(32))
    assert "another key" in drill.try_out(workshop, away / "a.db")
    [said] = in_order.on_trial(workshop)
    assert not said.good
    assert [one.name for one in sorted(away.iterdir())] == ["a.db", "b.db"]


def test_the_night_tries_one_out_once_a_month(workshop, away: Path, monkeypatch) -> None:
    monkeypatch.setenv("LIKEWRIGHT_BACKUPS", str(away))
    linked_order(workshop)

    class Nights:
        def __init__(self) -> None:
            self.left = 40

        def is_set(self) -> bool:
            self.left -= 1
            workshop.moment += DAY
            return self.left < 0

        def wait(self, _: float) -> None:
            pass

    nightly.run(workshop, Nights())
    assert plain(workshop.database, "SELECT count(*), group_concat(why, '') FROM drills") == [
        (2, "")
    ]


def test_at_the_prompt_the_newest_of_the_nights_is_tried(
    workshop, away: Path, monkeypatch, capsys
) -> None:
    monkeypatch.setenv("LIKEWRIGHT_BACKUPS", str(away))
    linked_order(workshop)
    folder = DataFolder(workshop.folder.path)
    with pytest.raises(CannotStart, match="There is no backup in"):
        opening.try_out(folder, None)
    made = nightly.tonight(workshop)
    assert made is not None
    assert opening.try_out(folder, None) == 0
    assert f"{made}: restored on trial, audited, and whole." in capsys.readouterr().out
    with closing(TestWorkshop(folder)) as again:
        assert plain(again.database, "SELECT count(*) FROM drills") == [(1,)]
