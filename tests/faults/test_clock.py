"""A machine whose clock is put back or forward by an hour while the studio works."""

import random
from pathlib import Path

from tests.faults.invariants import Told, broken
from tests.faults.killing import Worker, new_studio
from tests.faults.server import Client, Server, sign_in
from tests.making import CAST


def wrong_by(seconds: int) -> str:
    return (
        "import app.shared.clock as clock\n"
        "right = clock.now\n"
        f"clock.now = lambda: right() + {seconds}\n"
    )


def test_a_clock_put_back_or_forward_by_an_hour_stops_nobody(tmp_path: Path) -> None:
    folder = new_studio(tmp_path / "studio")
    cookie = sign_in(folder, CAST.owner)[CAST.owner.name]
    worker = Worker(CAST.owner.name, cookie, tmp_path / "told", Told(), random.Random(3))
    # An hour slow, right, an hour slow again (so that it goes back), right.
    for seconds in (-3600, 0, -3600, 0):
        before = len(worker.told.acknowledged)
        with Server(folder, before=wrong_by(seconds), log=tmp_path / "log") as server:
            client = Client(server.port, cookie)
            for _ in range(25):
                worker._once(client)
            client.close()
        assert len(worker.told.acknowledged) - before > 8
    assert broken(folder, worker.told) == []
    assert "Traceback" not in (tmp_path / "log").read_text()
