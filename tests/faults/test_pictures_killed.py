"""The whole server is killed in the middle of an upload, and in the middle of a check."""

import http.client
import json
import os
import random
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from app.shared.database import Database
from tests.faults.killing import new_studio
from tests.faults.server import Client, Server, sign_in
from tests.making import CAST, rows
from tests.photos.check.bad_inputs import Site
from tests.photos.intake.shots import jpeg

FILES = {f"IMG_{k:04d}.jpg": jpeg(k, size=(640, 480)) for k in range(12)}


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """A studio with a delivery told of, its server at work; whatever stands at the end is ended."""
    folder = new_studio(tmp_path / "studio")
    cookie = sign_in(folder, CAST.desk)[CAST.desk.name]
    found = Site(folder, Server(folder), cookie)
    assert found.server.answers
    yield found
    found.server.stop()


def names(site: Site, delivery: int) -> set[str]:
    return {
        str(n) for (n,) in ask(site, f"SELECT name FROM pictures WHERE delivery_id = {delivery}")
    }


def ask(site: Site, query: str) -> list[tuple[object, ...]]:
    database = Database(site.folder.database_file)
    try:
        return rows(database, query)
    finally:
        database.close()


def start_again(site: Site) -> None:
    half = list(site.folder.pictures.glob("incoming/*"))
    site.server = Server(site.folder)
    assert site.server.answers
    # The pictures' worker tidies as its first act.
    until(lambda: not [path for path in half if path.exists()], 10)


def until(true: Callable[[], object], seconds: float) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.05)


def test_killed_in_the_middle_of_a_file_what_was_whole_is_known_when_it_comes_again(
    site: Site,
) -> None:
    delivery = site.told()
    first = dict(list(FILES.items())[:3])
    assert json.loads(site.send(delivery, iter(first.items()), script=True).said)["kept"] == 3

    def cut_off() -> Iterator[tuple[str, bytes]]:
        yield from list(FILES.items())[3:6]
        # The sixth is whole once the seventh begins, of which only a half arrives.
        yield "half.jpg", FILES["IMG_0006.jpg"][:4_000]
        until(lambda: len(names(site, delivery)) == 6, 20)
        site.server.kill()
        yield "never.jpg", FILES["IMG_0007.jpg"] * 40

    with pytest.raises((OSError, http.client.HTTPException)):
        site.send(delivery, cut_off(), script=True)
    start_again(site)
    assert names(site, delivery) == set(list(FILES)[:6])
    assert site.wrong() == []
    said = json.loads(site.send(delivery, iter(FILES.items()), script=True).said)
    assert (said["known"], said["kept"], said["not_read"]) == (6, 6, [])
    assert site.wrong() == []


def test_killed_again_and_again_nothing_acknowledged_is_lost(site: Site) -> None:
    delivery, acknowledged, dice = site.told(), set[str](), random.Random(4)
    kills = 0
    for _ in range(3):
        killer = threading.Timer(dice.uniform(0.05, 0.5), site.server.kill)
        killer.start()
        try:
            for name, content in FILES.items():
                # One file a request, as the page's script sends them.
                if site.send(delivery, iter([(name, content)]), script=True).code == 200:
                    acknowledged.add(name)
        except (OSError, http.client.HTTPException):
            kills += 1
        killer.join()
        start_again(site)
        assert acknowledged <= names(site, delivery)
        assert site.wrong() == []
    assert kills >= 2
    site.send(delivery, iter(FILES.items()), script=True)
    assert names(site, delivery) == set(FILES)
    assert site.wrong() == []


def test_a_check_cut_off_by_a_kill_is_made_anew_and_leaves_no_process(site: Site) -> None:
    delivery = site.told()
    site.send(delivery, iter(FILES.items()), script=True)
    [(model,)] = ask(site, "SELECT DISTINCT model_id FROM picture_models")

    def under_way() -> bool:
        with Client(site.server.port, site.cookie) as client:
            return "<meter" in client.get(f"/photos/check/{model}/now")[1]

    until(under_way, 40)
    children = below(site.server.process.pid)
    assert children
    site.server.kill()
    assert ask(site, "SELECT count(*) FROM photo_checks") == [(0,)]
    until(lambda: not [pid for pid in children if alive(pid)], 20)
    start_again(site)
    until(lambda: ask(site, "SELECT count(*) FROM photo_checks") == [(1,)], 90)
    [(id_, pictures, verdict)] = ask(site, "SELECT id, pictures, verdict FROM photo_checks")
    assert pictures == len(FILES)
    assert verdict
    assert (site.folder.pictures / f"shown/check-{id_}.jpg").stat().st_size > 0
    assert site.wrong() == []


def below(pid: int) -> list[int]:
    """The processes that a process has begun, and theirs."""
    found: list[int] = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(path.read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
        if parent == pid:
            own = int(path.parent.name)
            found += [own, *below(own)]
    return found


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (OSError, ValueError):
        return False
