"""A status page against two floors: CPU of a request, in interleaved rounds.

The lower floor is a bare Starlette app that reads one row by raw sqlite3 and sends the same bytes
with no header but its type; the other one renders them with Jinja2 each time, from a row that
holds what the page says as JSON. Run it alone:  python tests/benchmarks/bench_status.py
"""

import asyncio
import hashlib
import json
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pydantic import TypeAdapter

from app.publishing.pages_file import PageRow, PagesFile
from app.shared.tokens import token_hash
from app.shared.web.templating import environment
from app.status.document import Document
from app.status.rendering import page_html
from app.status.site import customers_site
from tests.status.rows import NOW, page_at

PAGES, ROUNDS, EACH = 400, 9, 400
TOKENS = [hashlib.sha256(str(n).encode()).hexdigest() for n in range(PAGES)]


def pages_file(path: Path) -> None:
    """PAGES pages of an order with two copies in painting, each with words of its own."""
    file = PagesFile(path)
    page = page_at("painting")
    html, said = page_html(page), json.dumps(asdict(page))
    rows = [
        PageRow(token_hash(token), n, html.replace(b"1172", b"%d" % (2000 + n)), NOW, None)
        for n, token in enumerate(TOKENS)
    ]
    file.replace([], rows)
    file.close()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("CREATE TABLE said (token_hash TEXT NOT NULL PRIMARY KEY, json TEXT) STRICT")
        texts = [(row.token_hash, said.replace("1172", str(2000 + row.order_id))) for row in rows]
        raw.executemany("INSERT INTO said VALUES (?, ?)", texts)
        raw.commit()


def floor(path: Path, query: str, make: Callable[[Any], bytes]) -> ASGIApp:
    """The least that can answer: one row, and the bytes made from it."""
    raw = sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)

    async def page(request: Request) -> Response:
        hashed = token_hash(request.path_params["token"])
        row = raw.execute(f"SELECT {query} WHERE token_hash = ?", (hashed,)).fetchone()
        assert row is not None
        return Response(make(row[0]), 200, None, "text/html")

    return Starlette(routes=[Route("/{token}/", page)])


async def ask(app: ASGIApp, token: str) -> bytes:
    """One GET, straight through ASGI."""
    path = f"/{token}/"
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET",
        "scheme": "http", "path": path, "raw_path": path.encode(), "query_string": b"",
        "root_path": "", "headers": [(b"host", b"127.0.0.1")], "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 80),
    }  # fmt: skip
    got: list[bytes] = []

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        if message["type"] == "http.response.body":
            got.append(message["body"])

    await app(scope, receive, send)
    return b"".join(got)


async def cpu(app: ASGIApp, tokens: list[str]) -> float:
    """Microseconds of CPU a request."""
    begun = time.process_time()
    for token in tokens:
        await ask(app, token)
    return (time.process_time() - begun) / len(tokens) * 1e6


async def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "pages.db"
        pages_file(path)
        site = customers_site(path)
        body = await ask(site, TOKENS[0])
        template = environment().get_template("status/page.html")
        kept = TypeAdapter(Document)
        bare = floor(path, "html FROM pages", bytes)
        rendering = floor(
            path,
            "json FROM said",
            lambda text: template.render(page=kept.validate_json(text)).encode(),
        )
        assert await ask(bare, TOKENS[0]) == await ask(rendering, TOKENS[0]) == body
        # Few pages, asked for again and again; then every one for the first time.
        few = (TOKENS[:100] * (EACH // 100 + 1))[:EACH]
        took: dict[str, list[float]] = {
            "floor: bytes": [], "floor: rendered": [], "seen before": [], "never seen": []
        }  # fmt: skip
        for _ in range(ROUNDS):
            fresh = customers_site(path)
            await ask(fresh, TOKENS[-1])
            took["floor: bytes"].append(await cpu(bare, few))
            took["floor: rendered"].append(await cpu(rendering, few))
            took["seen before"].append(await cpu(site, few))
            took["never seen"].append(await cpu(fresh, TOKENS[: EACH - 1]))
        lower, upper = (statistics.median(took[name]) for name in list(took)[:2])
        print(f"bytes of the page {len(body)}; queries of a request 1")
        for name, values in took.items():
            middle = statistics.median(values)
            print(
                f"{name:16} {middle:6.0f} µs CPU   {middle / lower:5.2f} × bytes"
                f"   {middle / upper:5.2f} × rendered"
            )


if __name__ == "__main__":
    asyncio.run(main())
