"""The customers' site over the pages that a studio has written."""

from collections.abc import Iterator

import httpx
import pytest

from app.status.site import customers_site
from tests.making import NOW
from tests.publishing.conftest import TestWorkshop, workshop

__all__ = ["workshop"]


class Visitor:
    """Somebody with a browser and no script. `now` is the site's clock."""

    def __init__(self, workshop: TestWorkshop) -> None:
        self.now = float(NOW)
        self.site = customers_site(workshop.folder.pages, lambda: self.now)

    async def asks(self, path: str, method: str = "GET", **headers: str) -> httpx.Response:
        """One request to the site; `path` may be any bytes that a client sends."""
        way = httpx.ASGITransport(self.site, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=way, base_url="https://testserver") as client:
            return await client.request(method, path, headers=headers, follow_redirects=False)


@pytest.fixture
def visitor(workshop: TestWorkshop) -> Iterator[Visitor]:
    """A visitor of the site over the workshop's pages file."""
    return Visitor(workshop)
