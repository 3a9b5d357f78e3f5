"""A workshop over a test's own database, with a clock that the test turns."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from app.shared.places import DataFolder
from app.studio.workshop import Workshop
from tests.making import NOW


class TestWorkshop(Workshop):
    """A workshop whose moment is set by hand."""

    __test__ = False
    moment = NOW

    def now(self) -> int:
        return self.moment


@pytest.fixture
def workshop(studio_file: Path) -> Iterator[TestWorkshop]:
    """A workshop on a copy of the migrated template."""
    folder = DataFolder(studio_file.parent)
    folder.prepare()
    workshop = TestWorkshop(folder)
    yield workshop
    workshop.close()
