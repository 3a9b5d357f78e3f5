"""A folder to publish to, for tests of publishing."""

from pathlib import Path

import pytest

from app.publishing.publish import Published, publish
from app.publishing.worker import rewrite_stale
from tests.publishing.conftest import TestWorkshop


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path.with_name(f"{tmp_path.name}-pages")


def written(workshop: TestWorkshop, place: Path, *, later: int = 10) -> Published:
    """Bring the pages up to date, then publish some seconds later."""
    rewrite_stale(workshop)
    workshop.moment += later
    return publish(workshop, place)
