"""A workshop over a test's own database, with a clock that the test turns."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from app.studio.workshop import Workshop
from tests.making import NOW
from tests.staff.browser import opened


class TestWorkshop(Workshop):
    """A workshop whose moment is set by hand."""

    __test__ = False
    moment = NOW

    def now(self) -> int:
        return self.moment


@pytest.fixture
def workshop(studio_file: Path) -> Iterator[TestWorkshop]:
    """A workshop on a copy of the migrated template."""
    with opened(studio_file, TestWorkshop) as workshop:
        yield workshop
