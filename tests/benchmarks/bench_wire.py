"""What a request waits for beside its own work: the line, and a flood of guesses at the door.

    PYTHONPATH=. python tests/benchmarks/bench_wire.py [--rounds 5]

Three rows. The second to fifth answer of one kept connection, beside a bare FastAPI application
under uvicorn, rounds interleaved. a signed-in page while nobody else asks, and while 150
threads of another process guess at new names, each on a connection that it keeps.
"""

import argparse
import http.client
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from app.shared.database import Database
from app.shared.places import DataFolder
from app.staff import sessions
from app.staff.gate import COOKIE
from tests.benchmarks.bench_eight import free_port, serve
from tests.benchmarks.bench_move import a_studio

BARE = """
import sys, uvicorn
from fastapi import FastAPI
from starlette.responses import HTMLResponse
site = FastAPI()
@site.get("/sign-in")
def bare():
    return HTMLResponse("x" * 2000)
uvicorn.run(site, port=int(sys.argv[1]), log_level="warning")
"""
FLOOD = """
import http.client, sys, threading
port, threads = int(sys.argv[1]), int(sys.argv[2])
heads = {"content-type": "application/x-www-form-urlencoded", "origin": f"http://127.0.0.1:{port}"}
def guess(number):
    n, line = 0, None
    while True:
        n += 1
        try:
            line = line or http.client.HTTPConnection("127.0.0.1", port, timeout=30)
            line.request("POST", "/sign-in", f"name=Nobody+{number}+{n}&password=wrong+again", heads)
            line.getresponse().read()
        except OSError:
            line = None
for number in range(threads):
    threading.Thread(target=guess, args=(number,), daemon=True).start()
sys.stdin.readline()
"""
THREADS, PAGES = 150, 100


def answers(port: int, path: str, many: int, headers: dict[str, str]) -> list[float]:
    """How long each of several answers of one connection took, in ms."""
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    took = []
    for _ in range(many):
        begun = time.perf_counter()
        line.request("GET", path, headers=headers)
        answer = line.getresponse()
        answer.read()
        assert answer.status == 200, answer.status
        took.append((time.perf_counter() - begun) * 1e3)
    line.close()
    return took


def main(rounds: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = DataFolder(Path(place) / "house")
        folder.path.mkdir()
        database = Database(a_studio(folder.database_file))
        with database.writing() as db:
            cookie = sessions.begin(db, 5, int(time.time()))
        database.close()
        ports = {"likewright": free_port(), "bare": free_port()}
        ours = [sys.executable, "-m", "app", "serve", "--data", str(folder.path), "--port",
                str(ports["likewright"]), "--public-port", str(free_port())]  # fmt: skip
        bare = [sys.executable, "-c", BARE, str(ports["bare"])]
        servers = [serve(ours, ports["likewright"]), serve(bare, ports["bare"])]
        try:
            line(ports, rounds)
            flood(ports["likewright"], {"cookie": f"{COOKIE}={cookie}"})
        finally:
            for server in servers:
                server.terminate()
                server.wait(20)


def line(ports: dict[str, int], rounds: int) -> None:
    """Print the wait for later answers of one connection."""
    found: dict[str, list[float]] = {name: [] for name in ports}
    for _ in range(rounds + 1):
        for name, port in ports.items():
            found[name] += answers(port, "/sign-in", 5, {})[1:]
    medians = {name: statistics.median(took[4:]) for name, took in found.items()}
    print(
        f"second to fifth answer of a connection: {medians['likewright']:.2f} ms, bare "
        f"{medians['bare']:.2f} ms: {medians['likewright'] / medians['bare']:.2f} × (goal 2)"
    )


def flood(port: int, headers: dict[str, str]) -> None:
    """Print the wait for a signed-in page, quiet and under a flood of guesses."""
    answers(port, "/me", PAGES, headers)
    quiet = answers(port, "/me", PAGES, headers)
    guessing = subprocess.Popen(
        [sys.executable, "-c", FLOOD, str(port), str(THREADS)], stdin=subprocess.PIPE
    )
    time.sleep(4)
    flooded = answers(port, "/me", PAGES, headers)
    guessing.communicate(b"\n", timeout=20)
    before, under = statistics.median(quiet), statistics.median(flooded)
    print(
        f"a signed-in page: {before:.2f} ms, under {THREADS} threads of guesses {under:.2f} ms "
        f"(95 in 100 within {statistics.quantiles(flooded, n=20)[-1]:.0f}): {under / before:.2f} × (goal 3)"
    )


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=20)
    main(options.parse_args().rounds)
