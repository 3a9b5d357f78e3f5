"""How long a start takes and what an idle server holds, beside a bare FastAPI application.

    PYTHONPATH=. python tests/benchmarks/bench_start.py [--rounds 5]

Both are processes of their own. Seconds run from the process's birth to the first answered
request; memory is what the process holds to itself (private pages) five seconds later. Rounds are
interleaved, medians printed. The bare application has one route, imports FastAPI, SQLAlchemy and
Jinja2, opens a database and serves by uvicorn: what no application of this kind starts without.
"""

import argparse
import os
import re
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

BARE = """
import sys, jinja2, uvicorn
from fastapi import FastAPI
from sqlalchemy import create_engine, text
from starlette.responses import HTMLResponse
engine = create_engine("sqlite:///" + sys.argv[1] + "/bare.db")
page = jinja2.Environment(autoescape=True).from_string("<p>{{ one }}</p>")
site = FastAPI()
@site.get("/sign-in")
def bare():
    with engine.connect() as db:
        return HTMLResponse(page.render(one=db.execute(text("select 1")).scalar()))
uvicorn.run(site, port=int(sys.argv[2]), log_level="warning")
"""
IDLE_AFTER = 5.0


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def private_megabytes(pid: int) -> float:
    """Private pages of a process, in MB (Linux, /proc/PID/smaps_rollup)."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    return sum(int(n) for n in re.findall(r"Private_\w+:\s+(\d+) kB", text)) / 1024


def started(command: list[str], port: int) -> tuple[float, float]:
    """Seconds to the first answer, and idle memory in MB."""
    begun = time.perf_counter()
    # As installed: pip compiles what it installs, whatever a developer's environment says.
    env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**env, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
    )  # fmt: skip
    try:
        while True:
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/sign-in", timeout=5).read()
                break
            except OSError:
                assert process.poll() is None, "the server ended by itself"
                assert time.perf_counter() - begun < 60, "no answer within a minute"
                time.sleep(0.005)
        took = time.perf_counter() - begun
        time.sleep(IDLE_AFTER)
        return took, private_megabytes(process.pid)
    finally:
        process.terminate()
        process.wait(20)


def main(rounds: int) -> None:
    found: dict[str, list[tuple[float, float]]] = {"bare": [], "likewright, again": []}
    with tempfile.TemporaryDirectory() as folder:
        database = [sys.executable, "-m", "app", "serve", "--data", f"{folder}/studio"]
        port = free_port()
        # The first start makes the database; a studio starts a house that is there.
        first = started([*database, "--port", str(port), "--public-port", str(free_port())], port)
        for _ in range(rounds):
            port = free_port()
            found["bare"].append(started([sys.executable, "-c", BARE, folder, str(port)], port))
            port = free_port()
            command = [*database, "--port", str(port), "--public-port", str(free_port())]
            found["likewright, again"].append(started(command, port))
    medians = {
        name: tuple(statistics.median(values) for values in zip(*results, strict=True))
        for name, results in found.items()
    }
    print(f"start and idle memory (median of {rounds} rounds; first start ever {first[0]:.2f} s)")
    bare = medians["bare"]
    for name, (seconds, megabytes) in medians.items():
        print(
            f"  {name:18} {seconds:5.2f} s  {seconds / bare[0]:4.2f} ×"
            f"   {megabytes:6.1f} MB  {megabytes / bare[1]:4.2f} × (goal 1.6)"
        )


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=5)
    main(options.parse_args().rounds)
