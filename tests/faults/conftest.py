"""A folder with a migrated studio and the cast in it, for a server of its own."""

import shutil
from pathlib import Path

import pytest

from app.shared.places import DataFolder


@pytest.fixture
def folder(template: Path, tmp_path: Path) -> DataFolder:
    folder = DataFolder(tmp_path / "studio")
    folder.prepare()
    shutil.copyfile(template, folder.database_file)
    return folder
