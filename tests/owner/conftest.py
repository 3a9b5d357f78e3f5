"""A small invented studio, made once, and workshops over copies of it."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.shared.places import DataFolder
from tests.demo.invented import A_TUESDAY, invent
from tests.staff.browser import Shop


@pytest.fixture(scope="session")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder, _ = invent(tmp_path_factory.mktemp("owner"), months=7, per_month=30)
    return folder.path


@pytest.fixture
def shop(invented: Path, tmp_path: Path) -> Iterator[Shop]:
    """A workshop over a copy of the invented studio, at the moment at which its history ends."""
    folder = DataFolder(tmp_path / "studio")
    folder.prepare()
    shutil.copyfile(invented / "studio.db", folder.studio)
    shop = Shop(folder)
    shop.moment = A_TUESDAY
    yield shop
    shop.close()


@pytest.fixture
def empty(studio_file: Path) -> Iterator[Shop]:
    """A workshop in which nothing has happened yet."""
    shop = Shop(DataFolder(studio_file.parent))
    yield shop
    shop.close()
