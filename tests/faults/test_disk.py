"""A disk that is full or read-only: said in words, and nothing that was saved is lost."""

import contextlib
import os
import random
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.shared import clock
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.upkeep.backup import back_up
from tests.faults.invariants import Told, broken
from tests.faults.killing import Worker, new_studio
from tests.faults.server import Client, Server, sign_in
from tests.making import CAST

MEGABYTES = 12


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of a few megabytes in memory. Only root can make one."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.geteuid() != 0 or subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={MEGABYTES}m", "tmpfs", str(place)],
        capture_output=True, timeout=20,
    ).returncode:  # fmt: skip
        pytest.skip("a small disk can only be made by root")
    yield place
    subprocess.run(["umount", str(place)], check=True, timeout=20)


def fill_up(place: Path) -> Path:
    filler = place / "filler"
    with filler.open("wb", buffering=0) as file:
        for size in (65_536, 512):
            with contextlib.suppress(OSError):
                while True:
                    file.write(b"\0" * size)
    return filler


def a_worker(name: str, cookie: str, tmp_path: Path) -> Worker:
    return Worker(name, cookie, tmp_path / "told", Told(), random.Random(1))


def test_a_full_disk_is_said_and_nothing_that_was_saved_is_lost(small_disk, tmp_path) -> None:
    folder = new_studio(small_disk / "studio")
    cookie = sign_in(folder, CAST.desk)[CAST.desk.name]
    worker = a_worker(CAST.desk.name, cookie, tmp_path)
    kept = {"LIKEWRIGHT_BACKUPS": str(tmp_path / "kept")}
    with Server(folder, env=kept, log=tmp_path / "log") as server:
        _work_on_a_full_disk(server, worker, cookie, small_disk)
    assert "could not be written" in (tmp_path / "log").read_text()
    assert broken(folder, worker.told, pages=False) == []
    with Server(folder):
        pass
    assert broken(folder, worker.told) == []


def _work_on_a_full_disk(server: Server, worker: Worker, cookie: str, disk: Path) -> None:
    client = Client(server.port, cookie)
    saved = refused = 0
    for _ in range(3):
        worker._send(client, "/orders/new", worker._order(), "order")
        saved += 1
    filler = fill_up(disk)
    for n in range(40):
        once = f"full-{n}"
        worker.told.asked[once] = "order"
        status, _, said = client.post("/orders/new", {**worker._order(), "once": once})
        if status == 303:
            worker.told.acknowledged[once] = "order"
            saved += 1
        else:
            assert status == 503
            assert "The disk is full" in said
            assert "Nothing was changed" in said
            refused += 1
    assert refused
    # Reading goes on, and so does everything once there is room again.
    assert client.get("/")[0] == 200
    filler.unlink()
    worker._send(client, "/orders/new", worker._order(), "order")
    assert len(worker.told.acknowledged) == saved + 1
    client.close()


def test_a_backup_on_a_full_disk_is_said_and_leaves_nothing(small_disk, tmp_path) -> None:
    folder = new_studio(tmp_path / "studio")
    fill_up(small_disk)
    with pytest.raises(CannotStart, match="could not be"):
        back_up(folder, small_disk / "kept.db", clock.now())
    assert {path.name for path in small_disk.iterdir()} == {"filler"}


def test_on_a_read_only_disk_the_start_is_refused_in_words(small_disk, tmp_path) -> None:
    folder = new_studio(small_disk / "studio")
    told = Told()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True, timeout=20)
    server = Server(folder, log=tmp_path / "log")
    assert not server.answers
    assert server.stop() == 69
    said = (tmp_path / "log").read_text()
    assert "may not be written to" in said
    assert "Traceback" not in said
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True, timeout=20)
    with Server(DataFolder(folder.path)):
        pass
    assert broken(folder, told) == []
