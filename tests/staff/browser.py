"""A browser of one's own for tests of pages: keeps cookies, sends Origin, follows nothing by itself.

page = browser.get("/settings"); page.status_code; page.text
browser.post("/sign-in", {"name": "Dara Quill", "password": PASSWORD})
browser.as_(shop, CAST.owner)      # signed in without typing
"""

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from http.cookies import Morsel, SimpleCookie
from pathlib import Path
from typing import Any, TypeVar

import httpx
from starlette.types import ASGIApp

from app.shared.people import Person
from app.shared.places import DataFolder
from app.staff import sessions
from app.staff.gate import COOKIE
from app.studio.workshop import Workshop
from tests.making import NOW

ORIGIN = "https://testserver"
PASSWORD = "seven quiet tortoises"
W = TypeVar("W", bound=Workshop)


class ClockedWorkshop(Workshop):
    """A workshop whose clock the test sets."""

    def __init__(self, folder: DataFolder, *, demo: bool = False) -> None:
        super().__init__(folder, status_url="http://127.0.0.1:8601", demo=demo)
        self.moment = NOW

    def now(self) -> int:
        return self.moment


@contextmanager
def opened(studio_file: Path, kind: Callable[[DataFolder], W]) -> Iterator[W]:
    """A workshop over a test's own database, made ready as the program does it, and closed after."""
    folder = DataFolder(studio_file.parent)
    folder.prepare()
    with closing(kind(folder)) as workshop:
        yield workshop


class Browser:
    """Sends one request at a time, each on an event loop of its own. `cookie` is the session's,
    `steps` what My bench keeps, by name."""

    def __init__(self, site: ASGIApp, origin: str = ORIGIN) -> None:
        self.site = site
        self.origin = origin
        self.cookie = ""
        self.steps: dict[str, str] = {}

    def as_(self, workshop: Workshop, person: Person | None) -> "Browser":
        """Sign in as somebody without a password, or as nobody."""
        self.cookie = ""
        if person is not None:
            assert person.account_id is not None
            with workshop.database.writing() as db:
                self.cookie = sessions.begin(db, person.account_id, workshop.now())
        return self

    def get(self, address: str, **headers: str) -> httpx.Response:
        return self.send("GET", address, headers=headers)

    def post(
        self, address: str, typed: Mapping[str, str | Sequence[str]] | None = None, **headers: str
    ) -> httpx.Response:
        return self.send(
            "POST", address, data=typed or {}, headers={"origin": self.origin, **headers}
        )

    def send(self, method: str, address: str, **more: Any) -> httpx.Response:
        return asyncio.run(self._send(method, address, **more))

    async def _send(self, method: str, address: str, **more: Any) -> httpx.Response:
        transport = httpx.ASGITransport(self.site)
        kept = {**({COOKIE: self.cookie} if self.cookie else {}), **self.steps}
        headers = (
            {}
            if not kept
            else {"cookie": "; ".join(f"{name}={text}" for name, text in kept.items())}
        )
        headers |= more.pop("headers", {})
        async with httpx.AsyncClient(transport=transport, base_url=self.origin) as client:
            answer = await client.request(method, address, headers=headers, **more)
        for name, set_ in _set_by(answer):
            if name.startswith("bench-"):
                assert (set_["path"], set_["secure"], set_["httponly"]) == ("/my-bench", True, True)
                self.steps[name] = set_.value
                continue
            assert name.startswith(COOKIE)
            self.cookie = "" if set_["max-age"] == "0" else set_.value
        return answer


def _set_by(answer: httpx.Response) -> Iterator[tuple[str, Morsel[str]]]:
    """The cookies that an answer sets or takes away."""
    for line in answer.headers.get_list("set-cookie"):
        yield from SimpleCookie(line).items()
