"""Killed at random and at named points: nothing acknowledged is lost, nothing happens twice."""

import contextlib
import random
import threading
import time
from pathlib import Path

import pytest

from app.shared import clock
from app.shared.faults import ENDED
from app.shared.places import DataFolder
from app.tables.migrating import HEAD, version_of
from app.upkeep.audit import audit
from tests.faults.invariants import Told, broken
from tests.faults.killing import CLIENTS, Worker, kill_again_and_again, new_studio
from tests.faults.server import Server, sign_in

KILLS, SECONDS = 12, 30.0


def test_kill_at_random_under_four_clients(tmp_path: Path, capsys) -> None:
    table = kill_again_and_again(new_studio(tmp_path / "studio"), KILLS, seconds=SECONDS)
    with capsys.disabled():
        print("\n" + "\n".join(table.lines()))
    assert table.problems == []
    assert table.lost == 0
    assert table.kills >= 3
    assert table.acknowledged > table.kills
    assert table.slowest_cpu < 5.0


@pytest.mark.parametrize(
    "point", ["before commit:14", "after commit:14", "pages half written:5", "pages written:5"]
)
def test_cut_off_at_a_named_point(tmp_path: Path, point: str) -> None:
    folder = new_studio(tmp_path / "studio")
    cookies, told = sign_in(folder, *CLIENTS), Told()
    workers = [
        Worker(p.name, cookies[p.name], tmp_path / f"told-{n}", told, random.Random(n))
        for n, p in enumerate(CLIENTS)
    ]
    server = Server(folder, env={"LIKEWRIGHT_FAULT": point})
    assert server.answers
    threads = [threading.Thread(target=worker.run, args=(server.port,)) for worker in workers]
    for thread in threads:
        thread.start()
    assert server.process.wait(40) == ENDED
    server.stop()
    for thread in threads:
        thread.join(20)
    again = Server(folder)
    assert again.answers
    again.stop()
    assert broken(folder, told) == []
    assert told.acknowledged


def test_cut_off_in_the_middle_of_a_migration_the_next_start_begins_anew(tmp_path: Path) -> None:
    folder = DataFolder(tmp_path / "studio")
    server = Server(folder, env={"LIKEWRIGHT_FAULT": "mid-migration"})
    assert server.process.wait(30) == ENDED
    server.stop()
    assert version_of(folder.database_file) is None
    again = Server(folder)
    assert again.answers
    again.stop()
    assert version_of(folder.database_file) == HEAD
    assert audit(folder, clock.now()).ok


def test_a_second_server_on_the_same_folder_is_refused(tmp_path: Path) -> None:
    folder = new_studio(tmp_path / "studio")
    first = Server(folder)
    assert first.answers
    second = Server(folder, log=tmp_path / "log")
    assert not second.answers
    assert second.stop() == 69
    assert "already running" in (tmp_path / "log").read_text()
    assert first.stop() in (0, 143, -15)


def test_a_server_that_is_asked_to_end_ends_soon_and_leaves_no_side_files(tmp_path: Path) -> None:
    folder = new_studio(tmp_path / "studio")
    cookies, told = sign_in(folder, *CLIENTS), Told()
    worker = Worker(CLIENTS[0].name, cookies[CLIENTS[0].name], tmp_path / "told", told,
                    random.Random(1))  # fmt: skip
    server = Server(folder)
    thread = threading.Thread(target=worker.run, args=(server.port,))
    thread.start()
    time.sleep(1.0)
    begun = time.monotonic()
    assert server.stop() in (0, 143, -15)
    assert time.monotonic() - begun < 15
    with contextlib.suppress(RuntimeError):
        thread.join(20)
    assert broken(folder, told) == []
    names = {path.name for path in folder.path.iterdir()}
    assert names == {"studio.db", "pages.db", "key", "letters", "pictures"}
