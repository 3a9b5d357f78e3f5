"""A studio in which nothing has happened yet."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from app.shared.places import DataFolder
from tests.staff.browser import ClockedWorkshop


@pytest.fixture
def empty(studio_file: Path) -> Iterator[ClockedWorkshop]:
    """A workshop without orders, on the morning of tests.history.sheets.TODAY."""
    folder = DataFolder(studio_file.parent)
    folder.prepare()
    workshop = ClockedWorkshop(folder)
    yield workshop
    workshop.close()
