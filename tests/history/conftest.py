"""A studio in which nothing has happened yet."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.staff.browser import ClockedWorkshop, opened


@pytest.fixture
def empty(studio_file: Path) -> Iterator[ClockedWorkshop]:
    """A workshop without orders, on the morning of tests.history.sheets.TODAY."""
    with opened(studio_file, ClockedWorkshop) as workshop:
        yield workshop
