"""One studio's folder: made with its key, held by one server."""

import os
import re
import socket
import subprocess
import sys
from datetime import UTC, datetime

import pytest

from app.shared.errors import CannotStart
from app.shared.places import DataFolder, shipped


@pytest.fixture
def folder(tmp_path):
    folder = DataFolder(tmp_path / "deep" / "data")
    folder.prepare()
    return folder


def test_a_new_folder_has_its_places_and_a_key_that_nobody_else_reads(folder):
    assert {p.name for p in folder.path.iterdir()} == {"letters", "pictures", "key"}
    assert len(folder.key) == 32
    assert folder.key_file.stat().st_mode & 0o777 == 0o600
    assert folder.path.stat().st_mode & 0o077 == 0


def test_preparing_again_keeps_the_key(folder):
    before = folder.key_file.read_bytes()
    DataFolder(folder.path).prepare()
    assert folder.key_file.read_bytes() == before


def test_two_folders_have_two_keys(folder, tmp_path):
    other = DataFolder(tmp_path / "other")
    other.prepare()
    assert other.key != folder.key


def test_a_key_that_was_cut_short_is_refused_in_words(folder):
    folder.key_file.write_bytes(b"")
    with pytest.raises(CannotStart, match="damaged"):
        DataFolder(folder.path).prepare()


def test_a_folder_that_cannot_be_made_is_refused_in_words(tmp_path):
    file = tmp_path / "file"
    file.write_text("in the way")
    with pytest.raises(CannotStart, match="cannot be used"):
        DataFolder(file / "data").prepare()


TRY = """
import sys
from pathlib import Path
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
try:
    DataFolder(Path(sys.argv[1])).hold()
except CannotStart as why:
    print(why)
    sys.exit(3)
"""


def second_server(folder: DataFolder) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", TRY, str(folder.path)],
        capture_output=True, text=True, timeout=30, check=False, env=dict(os.environ),
        cwd=shipped("app").parent,
    )  # fmt: skip


def test_a_second_server_on_one_folder_is_refused_in_words(folder):
    held = folder.hold()
    found = second_server(folder)
    assert found.returncode == 3
    assert "already running" in found.stdout
    said = re.search(
        r": process (\d+) on (.+), since (\d+ \w+ \d{4}, \d\d:\d\d) UTC\. Stop", found.stdout
    )
    assert said is not None
    assert (int(said[1]), said[2]) == (os.getpid(), socket.gethostname())
    since = datetime.strptime(said[3], "%d %B %Y, %H:%M").replace(tzinfo=UTC)
    assert abs((datetime.now(UTC) - since).total_seconds()) < 120
    folder.holder_file.write_text("{")
    assert "already running" in second_server(folder).stdout, "without the note the lock holds"
    held.close()
    assert not folder.holder_file.exists()
    assert second_server(folder).returncode == 0


def test_what_comes_with_the_program_is_found():
    assert (shipped("migrations") / "env.py").is_file()


def test_files_of_a_folder_that_was_there_are_closed_to_others_and_new_ones_made_closed(tmp_path):
    before = os.umask(0o022)
    try:
        path = tmp_path / "shared"
        path.mkdir(mode=0o755)
        (path / "letters").mkdir(mode=0o755)
        for name in ("studio.db", "studio.db-wal", "studio.db-shm", "pages.db", "not ours.txt"):
            (path / name).write_text("x")
            (path / name).chmod(0o644)
        folder = DataFolder(path)
        assert folder.is_open_to_others()
        folder.prepare()
        modes = {p.name: p.stat().st_mode & 0o777 for p in path.iterdir()}
        assert modes.pop("not ours.txt") == 0o644
        assert {name for name, mode in modes.items() if mode & 0o077} == set()
        assert modes["studio.db"] == 0o600
        (path / "made later").write_text("x")
        assert (path / "made later").stat().st_mode & 0o077 == 0
        assert folder.is_open_to_others(), "the folder itself is for its owner to close"
    finally:
        os.umask(before)


def test_a_start_in_a_folder_open_to_others_says_so_and_closes_the_database(tmp_path):
    open_one, closed = tmp_path / "open", tmp_path / "closed"
    open_one.mkdir()
    open_one.chmod(0o755)
    closed.mkdir(mode=0o700)
    for path, said in ((open_one, True), (closed, False)):
        code = (
            "import os, sys; os.umask(0o022)\n"
            "from pathlib import Path\n"
            "from app.opening import opened\n"
            "from app.shared.places import DataFolder\n"
            f"with opened(DataFolder(Path({str(path)!r}))): pass\n"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        assert ("chmod 700" in done.stderr) is said
        assert {p.name for p in path.iterdir() if p.stat().st_mode & 0o077} == set()
