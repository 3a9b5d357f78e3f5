"""Eight clients moving pieces over HTTP against a real server, on disk, beside a floor.

    PYTHONPATH=. python tests/benchmarks/bench_eight.py [--rounds 5]

The floor is a FastAPI application with one route, served by uvicorn in a process of its own, that
writes the same rows of a move by SQLAlchemy Core under one lock of the process, checking nothing.
Both get the same form from eight clients, each on a connection that it keeps. Rounds are
interleaved; printed are the worst wait, moves a second, and how many were refused.
"""

import argparse
import http.client
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from urllib.parse import urlencode

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from app.shared.database import Database
from app.staff import sessions
from app.staff.gate import COOKIE
from tests.benchmarks.bench_move import CLIENTS, PIECES, THERE_AND_BACK, a_studio, raced

EACH = 40
FLOOR = """
import sys, uvicorn
from typing import Annotated
from fastapi import FastAPI, Form
from pathlib import Path
from starlette.responses import RedirectResponse
from app.shared.database import Database
from tests.benchmarks.bench_move import THERE_AND_BACK, by_core
import time
house = Database(Path(sys.argv[1]))
site = FastAPI()
ENDS = {move: (old.value, new.value) for move, old, new in THERE_AND_BACK}
@site.get("/sign-in")
def ready():
    return "ready"
@site.post("/pieces/copy/{piece}/move")
def move(piece: int, move: Annotated[str, Form()], version: Annotated[int, Form()],
         once: Annotated[str, Form()]):
    old, new = ENDS[move]
    by_core(house, {"copy": piece, "seq": version + 1, "move": move, "old": old, "new": new,
                    "at": int(time.time()), "once": once, "order": (piece + 1) // 2})
    return RedirectResponse("/", 303)
uvicorn.run(site, port=int(sys.argv[2]), log_level="warning")
"""


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def serve(command: list[str], port: int) -> subprocess.Popen[bytes]:
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
    )  # fmt: skip
    end = time.monotonic() + 60
    while time.monotonic() < end:
        try:
            client = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
            client.request("GET", "/sign-in")
            client.getresponse().read()
            client.close()
            return process
        except OSError:
            assert process.poll() is None, "the server ended by itself"
            time.sleep(0.05)
    process.kill()
    raise AssertionError("no answer within a minute")


def eight(port: int, cookie: str, turn: int) -> tuple[float, float, int]:
    """Worst wait in ms, moves a second, refused, of one round."""
    waits: list[float] = []
    refused: list[int] = []
    ready = threading.Barrier(CLIENTS + 1)
    headers = {
        "content-type": "application/x-www-form-urlencoded",
        "origin": f"http://127.0.0.1:{port}",
        "cookie": f"{COOKIE}={cookie}",
    }

    def client(number: int) -> None:
        share = PIECES // CLIENTS
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        ready.wait()
        for n in range(turn * EACH, (turn + 1) * EACH):
            piece, lap = number * share + 1 + n % share, n // share
            move = THERE_AND_BACK[lap % 2][0]
            body = urlencode(
                {"move": move, "version": lap + 1, "once": f"{piece}-{lap}", "reason": "a chip"}
            )
            start = time.perf_counter()
            connection.request("POST", f"/pieces/copy/{piece}/move", body, headers)
            answer = connection.getresponse()
            answer.read()
            waits.append((time.perf_counter() - start) * 1e3)
            if answer.status != 303:
                refused.append(answer.status)
        connection.close()

    seconds = raced(client, ready)
    return max(waits), CLIENTS * EACH / seconds, len(refused)


def main(rounds: int, folder: str | None) -> None:
    found: dict[str, list[tuple[float, float, int]]] = {"likewright": [], "floor": []}
    with tempfile.TemporaryDirectory(dir=folder) as place:
        root = Path(place)
        (root / "house").mkdir()
        studio = a_studio(root / "house" / "studio.db")
        floor = Path(shutil.copyfile(studio, root / "floor.db"))
        database = Database(studio)
        with database.writing() as db:
            cookie = sessions.begin(db, 5, int(time.time()))
        database.close()
        ports = {name: free_port() for name in found}
        commands = {
            "likewright": [
                sys.executable, "-m", "app", "serve", "--data", str(root / "house"),
                "--port", str(ports["likewright"]), "--public-port", str(free_port()),
            ],
            "floor": [sys.executable, "-c", FLOOR, str(floor), str(ports["floor"])],
        }  # fmt: skip
        servers = [serve(commands[name], ports[name]) for name in found]
        try:
            for turn in range(rounds + 1):
                for name, results in found.items():
                    results.append(eight(ports[name], cookie, turn))
        finally:
            for server in servers:
                server.terminate()
                server.wait(20)
    report(found, rounds)


def report(found: dict[str, list[tuple[float, float, int]]], rounds: int) -> None:
    print(f"{CLIENTS} clients over HTTP, on disk, {EACH} moves each (median of {rounds} rounds)")
    worst, rate = {}, {}
    for name, results in found.items():
        worst[name] = statistics.median(r[0] for r in results[1:])
        rate[name] = statistics.median(r[1] for r in results[1:])
        refused = sum(r[2] for r in results)
        print(f"  {name:11} worst {worst[name]:7.1f} ms   {rate[name]:6.0f} moves/s"
              f"   {refused} refused")  # fmt: skip
    print(
        f"  to the floor: worst {worst['likewright'] / worst['floor']:.2f} × (goal 2),"
        f" rate {rate['likewright'] / rate['floor']:.2f} (goal 0.7)"
    )


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=5)
    options.add_argument("--folder", help="where the files on disk lie")
    chosen = options.parse_args()
    main(chosen.rounds, chosen.folder)
