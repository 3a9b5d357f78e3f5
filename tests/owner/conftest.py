"""A small invented studio, made once, and workshops over copies of it."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.shared.places import DataFolder
from tests.demo.invented import A_TUESDAY, invent
from tests.staff.browser import ClockedWorkshop, opened


@pytest.fixture(scope="session")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder, _ = invent(tmp_path_factory.mktemp("owner"), months=7, per_month=30)
    return folder.path


@pytest.fixture
def workshop(invented: Path, tmp_path: Path) -> Iterator[ClockedWorkshop]:
    """A workshop over a copy of the invented studio, at the moment at which its history ends."""
    folder = DataFolder(tmp_path / "studio")
    folder.prepare()
    shutil.copyfile(invented / "studio.db", folder.database_file)
    workshop = ClockedWorkshop(folder)
    workshop.moment = A_TUESDAY
    yield workshop
    workshop.close()


@pytest.fixture
def empty(studio_file: Path) -> Iterator[ClockedWorkshop]:
    """A workshop in which nothing has happened yet."""
    with opened(studio_file, ClockedWorkshop) as workshop:
        yield workshop
