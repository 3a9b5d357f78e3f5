"""The customers' site: one private page an order, read from the pages file and nothing else.

No session, no form, no cookie is looked at, nothing is logged, and there is no way from here to
the staff's database. A link that is wrong, revoked or lapsed, and any other address, gets one and
the same answer.
"""

import re
import sqlite3
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from starlette.types import ASGIApp, Receive, Scope, Send

from app.shared.places import shipped
from app.shared.tokens import token_hash
from app.status.document import PICTURE_NAME

_TOKEN = re.compile(r"[A-Za-z0-9_-]{22,128}")
_BUSY_SECONDS = 2.0
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
NOT_FOUND = "There’s no page here. Please check the link, or ask whoever sent it to you.\n"
_PAGE = "SELECT html, lapses_at FROM pages WHERE token_hash = ?"
_BESIDE = (
    "SELECT b.jpeg, p.lapses_at FROM pages p JOIN pictures b ON b.order_id = p.order_id"
    " WHERE p.token_hash = ? AND b.name = ?"
)
_Headers = list[tuple[bytes, bytes]]
_Answer = tuple[int, _Headers, bytes]


class Pages:
    """The pages file, read only. It is opened again when another file has taken its place."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._raw: sqlite3.Connection | None = None
        self._inode = 0

    def find(self, query: str, token: str, now: float, *more: str) -> bytes | None:
        """What a query finds under a link, ready to be sent; None where it opens nothing. `more` is
        what it asks for besides.

        Raises sqlite3.Error or OSError where the file cannot be read.
        """
        row = self._open().execute(query, (token_hash(token), *more)).fetchone()
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


def _headers(kind: str, extra: Mapping[str, str] | None = None) -> _Headers:
    """The guards, the type, and what an answer adds or says otherwise; ready to be sent."""
    all_of_them = {**HEADERS, "content-type": kind, **(extra or {})}
    return [(name.encode(), value.encode()) for name, value in all_of_them.items()]


_TEXT = _headers("text/plain; charset=utf-8")
_HTML = _headers("text/html; charset=utf-8")
_JPEG = _headers("image/jpeg")
# Nothing private is in it, and it keeps a page's second look light.
_CSS = _headers("text/css; charset=utf-8", {"cache-control": "public, max-age=3600"})
_NO_PAGE: _Answer = (404, _TEXT, NOT_FOUND.encode())
NOT_NOW = "We can’t show this page right now. Please try again in a few minutes.\n"
_NOT_NOW: _Answer = (503, _TEXT, NOT_NOW.encode())
_ALLOW = (b"allow", b"GET, HEAD")
_WELL: _Answer = (200, _TEXT, b"well\n")
_READ_ONLY: _Answer = (405, [*_TEXT, _ALLOW], b"Pages here can only be read.\n")


class _Site:
    """One answer for every address: what is not a page that may be read is not there."""

    def __init__(self, path: Path, clock: Callable[[], float]) -> None:
        self._pages = Pages(path)
        self._clock = clock
        self._style: _Answer = (200, _CSS, (shipped("static") / "status.css").read_bytes())

    async def __call__(self, scope: Scope, _: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        status, headers, body = self._answer(scope["method"], scope["path"])
        length = (b"content-length", b"%d" % len(body))
        await send({"type": "http.response.start", "status": status, "headers": [*headers, length]})
        await send({"type": "http.response.body", "body": body})

    def _answer(self, method: str, path: str) -> _Answer:
        if method not in ("GET", "HEAD"):
            return _READ_ONLY
        if path == "/static/status.css":
            return self._style
        if path == "/health":
            return self._health()
        token, slash, rest = path[1:].partition("/")
        known = not rest or PICTURE_NAME.fullmatch(rest) is not None
        if not known or _TOKEN.fullmatch(token) is None:
            return _NO_PAGE
        query, more = (_BESIDE, (rest,)) if rest else (_PAGE, ())
        try:
            found = self._pages.find(query, token, self._clock(), *more)
        except (sqlite3.Error, OSError):
            self._pages.close()
            return _NOT_NOW
        if found is None:
            return _NO_PAGE
        if not slash:
            # Relative, so that it also holds where the site lies under a longer address.
            return 308, [*_TEXT, (b"location", f"{token}/".encode())], b""
        return 200, _JPEG if rest else _HTML, found

    def _health(self) -> _Answer:
        """For a monitor: whether pages can be read, and nothing of what is in them."""
        try:
            self._pages.find(_PAGE, "", 0)
        except (sqlite3.Error, OSError):
            self._pages.close()
            return _NOT_NOW
        return _WELL


def customers_site(pages_path: Path, clock: Callable[[], float] = time.time) -> ASGIApp:
    """The customers' site over a pages file, as an ASGI app.

    Serve it without an access log: the path of a request is the key to a page.
    """
    return _Site(pages_path, clock)
