"""My bench and Today's table beside the Benches page, in one house:
`PYTHONPATH=. python tests/benchmarks/bench_my_bench.py`.

All of them pages of one house with 400 open pieces, in interleaved rounds; CPU of the whole process,
medians of rounds. My bench is asked for with all steps of the making chosen, and with one.
"""

import asyncio
import gc
import tempfile
from functools import partial
from pathlib import Path
from time import process_time
from typing import Any

from app.main import staff_site
from app.staff.gate import COOKIE
from tests.benchmarks.bench_benches import EACH, house_of, side_by_side
from tests.making import CAST
from tests.staff.browser import Browser

EVERY = "finishing.blank.shaping.painting.inspection.packing"


async def ask(app: Any, path: str, cookie: str) -> tuple[int, bytes]:
    """One GET of somebody who is signed in, without a client's own work in between."""
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET",
        "scheme": "http", "path": path, "raw_path": path.encode(), "query_string": b"",
        "headers": [(b"host", b"testserver"), (b"cookie", cookie.encode())],
        "server": ("testserver", 80), "client": ("127.0.0.1", 1), "root_path": "",
    }  # fmt: skip
    status, body = 0, b""

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        nonlocal status, body
        status = message.get("status", status)
        body += message.get("body", b"")

    await app(scope, receive, send)
    return status, body


def cpu(app: Any, path: str, cookie: str) -> float:
    """CPU milliseconds of one request, over a few."""

    async def some() -> None:
        for _ in range(EACH):
            await ask(app, path, cookie)

    start = process_time()
    asyncio.run(some())
    return (process_time() - start) / EACH * 1000


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        workshop = house_of(Path(folder) / "s", 400, 600)
        app = staff_site(workshop)
        session = Browser(app).as_(workshop, CAST.painter).cookie
        cookies = {
            steps: f"{COOKIE}={session}; bench-{CAST.painter.account_id}={steps}"
            for steps in (EVERY, "painting")
        }
        pages = {
            "benches": ("/", cookies[EVERY]),
            "my bench, every step": ("/my-bench", cookies[EVERY]),
            "my bench, one step": ("/my-bench", cookies["painting"]),
            "today's table": (
                "/parcels",
                f"{COOKIE}={Browser(app).as_(workshop, CAST.desk).cookie}",
            ),
        }
        for name, (path, cookie) in pages.items():
            status, body = asyncio.run(ask(app, path, cookie))
            rows = body.count(b'<li class="piece"') + body.count(b'<li class="packed"')
            print(f"{name}: {status}, {rows} rows, {len(body)} bytes")
            assert status == 200
            assert rows
        gc.collect()
        gc.freeze()
        got = side_by_side({name: partial(cpu, app, *page) for name, page in pages.items()})
        for name, ms in got.items():
            print(f"{name:22} {ms:6.1f} ms, {ms / got['benches']:.2f} of the benches (goal 1.3)")
        workshop.close()


if __name__ == "__main__":
    main()
