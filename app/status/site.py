"""The customers' site: one private page an order, read from the pages file and nothing else.

No session, no form, no cookie is looked at, nothing is logged, and there is no way from here to
the staff's database. A link that is wrong, revoked or lapsed, and any other address, gets one and
the same answer.
"""

import re
import sqlite3
import time
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

from jinja2 import Template
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from app.shared.places import shipped
from app.shared.tokens import token_hash
from app.shared.web.templating import environment
from app.status.document import from_json

_TOKEN = re.compile(r"[A-Za-z0-9_-]{22,128}")
_BUSY_SECONDS = 2.0
_KEPT_PAGES = 512
HEADERS = {
    "cache-control": "no-store",
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; img-src 'self' data:; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    ),
    "referrer-policy": "no-referrer",
    "x-robots-tag": "noindex, nofollow, noarchive",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
NOT_FOUND = "There is no page here. Please look at the link again, or ask whoever sent it to you.\n"
_NOT_NOW = "This page cannot be shown at the moment. Please try again in a few minutes.\n"
_READ = "SELECT document, lapses_at FROM pages WHERE token_hash = ?"
_PICTURE = (
    "SELECT b.jpeg, p.lapses_at FROM pages p JOIN pictures b ON b.order_id = p.order_id"
    " WHERE p.token_hash = ?"
)
PICTURE = "picture.jpg"


class Pages:
    """The pages file, read only. It is opened again when another file has taken its place."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._raw: sqlite3.Connection | None = None
        self._inode = 0

    def find(self, token: str, now: float) -> str | None:
        """The document under a link, as JSON; None where it opens nothing (any more).

        Raises sqlite3.Error or OSError where the file cannot be read.
        """
        row = self._open().execute(_READ, (token_hash(token),)).fetchone()
        if row is None or (row[1] is not None and row[1] <= now):
            return None
        return str(row[0])

    def picture(self, token: str, now: float) -> bytes | None:
        """The JPEG beside the page under a link; None where there is none, or no page (any more).

        Raises sqlite3.Error or OSError where the file cannot be read.
        """
        row = self._open().execute(_PICTURE, (token_hash(token),)).fetchone()
        if row is None or (row[1] is not None and row[1] <= now):
            return None
        return bytes(row[0])

    def _open(self) -> sqlite3.Connection:
        inode = self._path.stat().st_ino
        if self._raw is None or inode != self._inode:
            self.close()
            self._raw = sqlite3.connect(
                f"{self._path.resolve().as_uri()}?mode=ro",
                uri=True,
                timeout=_BUSY_SECONDS,
                isolation_level=None,
                check_same_thread=False,
            )
            self._raw.execute("PRAGMA query_only = ON")
            self._raw.execute("PRAGMA trusted_schema = OFF")
            self._inode = inode
        return self._raw

    def close(self) -> None:
        """Let go of the file."""
        if self._raw is not None:
            self._raw.close()
            self._raw = None


class _Site:
    """One endpoint for every address: what is not a page that may be read is not there."""

    def __init__(self, path: Path, clock: Callable[[], float]) -> None:
        self._pages = Pages(path)
        self._clock = clock
        self._style = (shipped("static") / "status.css").read_bytes()
        template = environment().get_template("status/page.html")
        # The same document gives the same bytes; whether a link still opens it is asked each time.
        self._render = lru_cache(_KEPT_PAGES)(lambda text: page_bytes(template, text))

    async def answer(self, request: Request) -> Response:
        path: str = request.scope["path"]
        if path == "/static/status.css":
            return _style(self._style)
        token, slash, rest = path[1:].partition("/")
        if rest == PICTURE and _TOKEN.fullmatch(token) is not None:
            return self._picture(token)
        if rest or _TOKEN.fullmatch(token) is None:
            return _plain(NOT_FOUND, 404)
        try:
            text = self._pages.find(token, self._clock())
        except (sqlite3.Error, OSError):
            self._pages.close()
            return _plain(_NOT_NOW, 503)
        if text is None:
            return _plain(NOT_FOUND, 404)
        if not slash:
            # Relative, so that it also holds where the site lies under a longer address.
            return RedirectResponse(f"{token}/", 308, HEADERS)
        return Response(self._render(text), 200, HEADERS, "text/html")

    def _picture(self, token: str) -> Response:
        try:
            jpeg = self._pages.picture(token, self._clock())
        except (sqlite3.Error, OSError):
            self._pages.close()
            return _plain(_NOT_NOW, 503)
        if jpeg is None:
            return _plain(NOT_FOUND, 404)
        return Response(jpeg, 200, HEADERS, "image/jpeg")


def page_bytes(template: Template, text: str) -> bytes:
    """The page of a document as JSON. Raises ValueError where it is none."""
    return template.render(page=from_json(text), beside=PICTURE).encode()


def _plain(words: str, status: int) -> Response:
    return PlainTextResponse(words, status, HEADERS)


def _style(content: bytes) -> Response:
    # Nothing private is in it, and it keeps a page's second look light.
    headers = {**HEADERS, "cache-control": "public, max-age=3600"}
    return Response(content, 200, headers, "text/css")


def customers_site(pages_path: Path, clock: Callable[[], float] = time.time) -> ASGIApp:
    """The customers' site over a pages file, as an ASGI app.

    Serve it without an access log: the path of a request is the key to a page.
    """
    site = _Site(pages_path, clock)

    async def refused(_: Request, __: Exception) -> Response:
        words = "Pages here can only be read.\n"
        return PlainTextResponse(words, 405, {**HEADERS, "allow": "GET, HEAD"})

    async def broken(_: Request, __: Exception) -> Response:
        return _plain(_NOT_NOW, 500)

    return Starlette(
        routes=[Route("/{path:path}", site.answer, methods=["GET"])],
        exception_handlers={405: refused, 500: broken},
    )
