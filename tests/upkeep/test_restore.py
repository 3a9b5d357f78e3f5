"""A backup in the place of the studio: nothing old is lost, nothing old comes back to life."""

import asyncio
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest

from app.cli import UNAVAILABLE
from app.flow.steps import Step
from app.letters import by_hand
from app.orders.order import links
from app.publishing.checking import check_pages
from app.publishing.worker import rewrite_stale, want_all
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.shared.tokens import status_token
from app.staff import sessions, store
from app.studio import store as studio_store
from app.upkeep.audit import audit
from app.upkeep.backup import back_up, read_label
from app.upkeep.restore import lines, restore
from tests.making import CAST, DAY, HOUR, NOW, Wanted, make_order, move, rows, step_of, walk
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import TO_FINISHING, linked_order
from tests.status.conftest import Visitor

LATER = NOW + 30 * DAY


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    return tmp_path.with_name(f"{tmp_path.name}-kept") / "studio-backup.db"


def put_back(
    workshop: TestWorkshop, kept: Path, to: DataFolder | None = None, *, replace_links: bool = False
):
    """Close the house, restore a backup, open a workshop on what is there now."""
    workshop.close()
    folder = to or workshop.folder
    done = restore(folder, kept, LATER, replace_links=replace_links)
    opened = TestWorkshop(folder)
    opened.moment = LATER
    return done, opened


def test_a_restored_studio_is_as_it_stood_and_the_old_one_lies_aside(workshop, kept) -> None:
    order = make_order(workshop.database, CAST.desk, NOW)
    back_up(workshop.folder, kept, NOW)
    walk(workshop.database, order.model(), CAST.desk, NOW, *TO_FINISHING)
    rewrite_stale(workshop)
    done, again = put_back(workshop, kept)
    with closing(again):
        assert (done.made_at, done.orders) == (NOW, 1)
        assert step_of(again.database, order.model()) is Step.PHOTOS_WANTED
        assert done.aside is not None
        assert sorted(path.name for path in done.aside.iterdir()) == ["pages.db", "studio.db"]
        old = TestWorkshop(DataFolder(done.aside))
        with closing(old):
            assert step_of(old.database, order.model()) is Step.FINISHING
    there = {path.name for path in workshop.folder.path.iterdir()}
    assert there - {"studio.db-wal", "studio.db-shm"} == {"studio.db", "key", "letters", "pictures"}


def test_a_restored_studio_bears_the_audit_and_its_pages_are_those_of_the_backup(
    workshop, kept
) -> None:
    order, token = linked_order(workshop, Wanted("Juniper", copies=2), Wanted("Otis"))
    walk(workshop.database, order.model(), CAST.desk, NOW, "photos_counted")
    rewrite_stale(workshop)
    before = asyncio.run(Visitor(workshop).asks(f"/{token}/")).text
    back_up(workshop.folder, kept, NOW + HOUR)
    walk(workshop.database, order.model(), CAST.desk, NOW + DAY, "build_started", "build_finished")
    workshop.moment = NOW + DAY
    rewrite_stale(workshop)
    _, again = put_back(workshop, kept)
    with closing(again):
        again.moment = NOW + HOUR
        want_all(again)
        rewrite_stale(again)
        after = asyncio.run(Visitor(again).asks(f"/{token}/")).text
        as_of = "As of"
        assert after.partition(as_of)[0] == before.partition(as_of)[0]
        result = audit(again.folder, LATER, check_pages)
        assert result.ok, result.differences
        assert result.counts["pages"] == 1


def test_a_backup_with_a_clock_change_and_a_holiday_inside_open_stays_bears_the_audit(
    workshop, kept, tmp_path
) -> None:
    # Summer time begins on 29 March 2026; the house is shut from 30 March to 7 April.
    order = make_order(workshop.database, CAST.desk, NOW, [Wanted(copies=3)])
    with workshop.database.writing() as db:
        studio_store.add_closure(db, date(2026, 3, 30), date(2026, 4, 7), "spring")
    workshop.forget()
    last = walk(workshop.database, order.model(), CAST.desk, NOW + 20 * DAY, *TO_FINISHING)
    back_up(workshop.folder, kept, last + 20 * DAY)
    shutil.copy(workshop.folder.key_file, tmp_path / "the-key")
    elsewhere = DataFolder(tmp_path / "another-machine")
    elsewhere.path.mkdir()
    shutil.copy(tmp_path / "the-key", elsewhere.key_file)
    done, again = put_back(workshop, kept, elsewhere)
    with closing(again):
        assert done.aside is None
        assert audit(elsewhere, last + 21 * DAY).ok
        assert rows(again.database, "SELECT reason FROM closures") == [("spring",)]


def test_nothing_is_sent_after_a_restore_until_somebody_says_yes(workshop, kept) -> None:
    back_up(workshop.folder, kept, NOW)
    _, again = put_back(workshop, kept)
    with closing(again), again.database.reading() as db:
        assert by_hand.off_since(db) == LATER


def test_everybody_has_to_sign_in_again(workshop, kept) -> None:
    with workshop.database.writing() as db:
        cookie = sessions.begin(db, 1, NOW)
        store.add_link(db, "abc", "way_back", NOW, account_id=1)
    back_up(workshop.folder, kept, NOW)
    # Signed out after the backup: the old cookie must not come back to life.
    sessions.sign_out(workshop.database, cookie, NOW + 60)
    _, again = put_back(workshop, kept)
    with closing(again), again.database.reading() as db:
        assert store.who(db, cookie, NOW + 120) is None
        assert store.live_link(db, "abc", NOW + 120) is None


def test_a_link_revoked_since_stays_revoked_and_those_given_out_since_are_counted(
    workshop, kept
) -> None:
    order, token = linked_order(workshop)
    _, other = linked_order(workshop)
    back_up(workshop.folder, kept, NOW)
    with workshop.database.writing() as db:
        links.revoke(db, order.id, NOW + 60)
    linked_order(workshop)
    done, again = put_back(workshop, kept)
    with closing(again):
        rewrite_stale(again)
        assert (done.revoked_again, done.unknown_links) == (1, 1)
        ask = Visitor(again).asks
        assert asyncio.run(ask(f"/{token}/")).status_code == 404
        assert asyncio.run(ask(f"/{other}/")).status_code == 200


def test_beside_a_running_server_nothing_is_restored(workshop, kept) -> None:
    make_order(workshop.database, CAST.desk, NOW)
    back_up(workshop.folder, kept, NOW)
    make_order(workshop.database, CAST.desk, NOW)
    with closing(workshop.folder.hold()), pytest.raises(CannotStart, match="already running"):
        restore(workshop.folder, kept, LATER)
    with workshop.database.reading() as db:
        assert db.exec_driver_sql("SELECT count(*) FROM orders").scalar() == 2


# ---------------------------------------------------------------- the key


def test_another_key_is_refused_in_words_and_nothing_has_changed(workshop, kept, tmp_path) -> None:
    linked_order(workshop)
    back_up(workshop.folder, kept, NOW)
    elsewhere = DataFolder(tmp_path / "elsewhere")
    with pytest.raises(CannotStart, match="--replace-links") as why:
        restore(elsewhere, kept, LATER)
    assert "has no key" in str(why.value)
    assert not elsewhere.path.exists()
    elsewhere.prepare()
    with pytest.raises(CannotStart, match="has another key"):
        restore(elsewhere, kept, LATER)
    assert not elsewhere.database_file.exists()


def test_with_a_lost_key_every_link_is_replaced_and_the_old_ones_open_nothing(
    workshop, kept, tmp_path
) -> None:
    tokens = [linked_order(workshop)[1] for _ in range(3)]
    order, revoked = linked_order(workshop)
    with workshop.database.writing() as db:
        links.revoke(db, order.id, NOW)
    back_up(workshop.folder, kept, NOW)
    elsewhere = DataFolder(tmp_path / "elsewhere")
    done, again = put_back(workshop, kept, elsewhere, replace_links=True)
    with closing(again):
        rewrite_stale(again)
        assert done.replaced_links == 3
        assert "send each customer the new one" in " ".join(lines(done, elsewhere, "x"))
        with again.database.reading() as db:
            nonces = db.exec_driver_sql(
                "SELECT nonce FROM status_links WHERE revoked_at IS NULL"
            ).scalars()
            new = [status_token(elsewhere.key, nonce) for nonce in nonces]
        ask = Visitor(again).asks
        assert [asyncio.run(ask(f"/{t}/")).status_code for t in new] == [200] * 3
        assert [asyncio.run(ask(f"/{t}/")).status_code for t in [*tokens, revoked]] == [404] * 4


# ---------------------------------------------------------------- pictures, damage, cuts


def test_lost_and_changed_pictures_are_listed(workshop, kept) -> None:
    for name in ("lost.jpg", "changed.jpg", "same.jpg"):
        (workshop.folder.pictures / name).write_bytes(name.encode())
    back_up(workshop.folder, kept, NOW)
    (workshop.folder.pictures / "lost.jpg").unlink()
    (workshop.folder.pictures / "changed.jpg").write_bytes(b"CHANGED.jpg")
    done, again = put_back(workshop, kept)
    again.close()
    assert (done.lost, done.changed) == (["lost.jpg"], ["changed.jpg"])
    said = lines(done, workshop.folder, "yesterday")
    assert "  lost.jpg" in said


@pytest.mark.parametrize("what", ["nothing", "empty", "text", "a studio", "half"])
def test_what_is_no_sound_backup_is_refused(workshop, kept, tmp_path, what: str) -> None:
    make_order(workshop.database, CAST.desk, NOW)
    file = tmp_path.with_name(f"{tmp_path.name}-file")
    if what == "empty":
        file.touch()
    elif what == "text":
        file.write_text("Dear diary, today I made a backup of nothing at all. " * 50)
    elif what == "a studio":
        with closing(sqlite3.connect(workshop.folder.database_file)) as raw:
            raw.execute("VACUUM INTO ?", (str(file),))
    elif what == "half":
        back_up(workshop.folder, kept, NOW)
        content = kept.read_bytes()
        file.write_bytes(content[: len(content) // 2])
    workshop.close()
    before = workshop.folder.database_file.read_bytes()
    with pytest.raises(CannotStart):
        restore(workshop.folder, file, LATER)
    assert workshop.folder.database_file.read_bytes() == before
    assert not list(workshop.folder.path.glob("*restoring*"))


def test_a_damaged_old_database_is_put_aside_too(workshop, kept) -> None:
    make_order(workshop.database, CAST.desk, NOW)
    back_up(workshop.folder, kept, NOW)
    workshop.close()
    workshop.folder.database_file.write_bytes(b"\xff" * 8192)
    workshop.folder.path.joinpath("studio.db-wal").write_bytes(b"\xff" * 100)
    done = restore(workshop.folder, kept, LATER)
    assert done.aside is not None
    assert (done.aside / "studio.db").read_bytes() == b"\xff" * 8192
    assert (done.aside / "studio.db-wal").exists()
    assert audit(workshop.folder, LATER).ok


def test_a_cut_in_the_middle_leaves_the_old_studio_and_a_second_try_works(workshop, kept) -> None:
    order = make_order(workshop.database, CAST.desk, NOW)
    back_up(workshop.folder, kept, NOW)
    move(workshop.database, order.model(), CAST.desk, NOW, "photos_counted")
    workshop.close()
    command = [
        sys.executable,
        "-m",
        "app",
        "restore",
        str(kept),
        "--data",
        str(workshop.folder.path),
    ]
    cut = subprocess.run(command, env=os.environ | {"LIKEWRIGHT_FAULT": "mid-restore"}, timeout=60)
    assert cut.returncode == 86
    with closing(TestWorkshop(workshop.folder)) as old:
        assert step_of(old.database, order.model()) is Step.PHOTOS_IN
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "Restored: 1 orders" in done.stdout
    assert not list(workshop.folder.path.glob("*restoring*"))
    with closing(TestWorkshop(workshop.folder)) as new:
        assert step_of(new.database, order.model()) is Step.PHOTOS_WANTED
    assert workshop.folder.pages.exists()


def test_the_command_says_why_not(workshop, kept) -> None:
    command = [
        sys.executable,
        "-m",
        "app",
        "restore",
        str(kept),
        "--data",
        str(workshop.folder.path),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == UNAVAILABLE
    assert "There is no file" in done.stderr


def test_a_backup_of_a_restored_studio_can_be_restored_again(workshop, kept) -> None:
    make_order(workshop.database, CAST.desk, NOW)
    back_up(workshop.folder, kept, NOW)
    _, again = put_back(workshop, kept)
    second = kept.with_name("second.db")
    back_up(again.folder, second, LATER)
    again.close()
    assert read_label(second).made_at == LATER
    assert restore(again.folder, second, LATER + 60).orders == 1
