"""Guards around the staff site, as plain ASGI: who may call, how much they may send, and what
every answer carries. They run before anything is parsed."""

import logging
import time
from collections.abc import Callable, Iterable, Mapping
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.shared.errors import TooLarge
from app.shared.text import whole_number

CONTENT_SECURITY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'; object-src 'none'"
)
EVERY_ANSWER = {
    "content-security-policy": CONTENT_SECURITY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
# A year, as OWASP ASVS 5.0 asks in 3.4.1; for this name alone.
ONLY_ENCRYPTED = {"strict-transport-security": "max-age=31536000"}
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
LARGEST_FORM = 512 * 1024
LONGEST_PATH = 1000
_NOTED_EVERY = 60.0
log = logging.getLogger("likewright.staff")


class Guard:
    """Host checked, unsafe methods only from our own pages, bodies limited, headers on all.

    `hosts` are the names (without port) under which the site may be asked for; None takes any.
    `encrypted` says that the way to the site is TLS, which browsers then ask for from the start.
    `larger` gives bytes that the addresses beginning so may be sent instead of `largest`.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: Iterable[str] | None,
        referrer: str,
        encrypted: bool = False,
        largest: int = LARGEST_FORM,
        larger: Mapping[str, int] | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.app = app
        self.hosts = frozenset(hosts) if hosts is not None else None
        self.headers = {**EVERY_ANSWER, "referrer-policy": referrer}
        if encrypted:
            self.headers |= ONLY_ENCRYPTED
        self.largest = largest
        self.larger = dict(larger or {})
        self.monotonic = monotonic
        self.strangers, self.noted_at = 0, -_NOTED_EVERY

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        # Every page that can be read can be asked for without its body (RFC 9110, 9.3.2).
        bare = scope["method"] == "HEAD"

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self.headers.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-store")
            elif bare:
                message = {**message, "body": b""}
            await send(message)

        why, status = self._refusal(scope)
        if why:
            await PlainTextResponse(why, status)(scope, receive, send_with_headers)
            return
        if bare:
            scope = {**scope, "method": "GET"}
        await self.app(scope, _Counted(receive, self._most(scope)), send_with_headers)

    def _most(self, scope: Scope) -> int:
        """How many bytes may be sent to the address that is asked for."""
        path = scope["path"]
        return next(
            (most for begin, most in self.larger.items() if path.startswith(begin)), self.largest
        )

    def _refusal(self, scope: Scope) -> tuple[str, int]:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if self.hosts is not None and _bare(host) not in self.hosts:
            return "This address is not one of ours. Use the one the owner gave you.", 400
        # No page of ours is called so; a number of thousands of digits is not even read.
        if len(scope["path"]) > LONGEST_PATH:
            return "There is no such page.", 404
        if scope["method"] in SAFE:
            return "", 0
        if not _from_ourselves(headers, host):
            self._note_stranger(headers)
            return "That did not come from one of our pages. Load the page again.", 403
        if whole_number(headers.get("content-length", "0"), self._most(scope)) is None:
            return str(TooLarge()), 413
        return "", 0

    def _note_stranger(self, headers: Headers) -> None:
        """A line for a request that another site had a browser send, at most one a minute: the log
        is not for strangers to fill. What is quoted of it can start no line of its own."""
        self.strangers += 1
        if self.monotonic() - self.noted_at >= _NOTED_EVERY:
            log.warning(
                "refused %d from elsewhere, the last from %.80r", self.strangers,
                headers.get("origin", headers.get("sec-fetch-site", "nowhere")),
            )  # fmt: skip
            self.strangers, self.noted_at = 0, self.monotonic()


class _Counted:
    """`receive`, counting the bytes of the body: a length that was not declared has a limit too.

    Raises TooLarge where the page reads on.
    """

    def __init__(self, receive: Receive, largest: int) -> None:
        self.receive, self.left = receive, largest

    async def __call__(self) -> Message:
        message = await self.receive()
        self.left -= len(message.get("body", b""))
        if self.left < 0:
            raise TooLarge
        return message


def _bare(host: str) -> str:
    """A Host header without its port: "[::1]:8000" is "[::1]"."""
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0].lower()


def _from_ourselves(headers: Headers, host: str) -> bool:
    """Whether an unsafe request comes from a page of this very origin.

    Sec-Fetch-Site is sent by every current browser on trustworthy origins; Origin covers the rest.
    A request with neither is refused.
    """
    site = headers.get("sec-fetch-site")
    origin = headers.get("origin")
    if site is not None and site != "same-origin":
        return False
    if origin is not None:
        return urlsplit(origin).netloc == host
    return site == "same-origin"
