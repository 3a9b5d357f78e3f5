"""The README's chapter "When something changes", every command of it run as it stands there.

What fetches or installs a program (git, pip) is a stand-in that writes down how it was called; all
else is real, in a home of its own.
"""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from app import opening
from app.shared.places import DataFolder
from app.tables.migrating import HEAD, version_of
from tests.faults.server import free_port
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import linked_order
from tests.upkeep.earlier import EARLIER, of_the_version_before

ROOT = Path(__file__).parents[2]
TITLE = "## When something changes"
# Exit codes that the chapter means: a look without --yes refuses, and status finds no address set.
MEANT = {"likewright replace-links": {69}, "likewright status": {0, 1}}
CALLED = 'echo "$(basename "$0") $*" >> "$HOME/called"\n'


def chapters() -> dict[str, list[str]]:
    """The lines of each fenced block, by the bold words that begin its paragraph."""
    text = (ROOT / "README.md").read_text().partition(TITLE)[2].partition("\n## ")[0]
    found: dict[str, list[str]] = {}
    name = "first"
    for part in re.findall(r"^\*\*(.+?)\.\*\*|^```sh\n(.*?)^```", text, re.M | re.S):
        name = part[0] or name
        found.setdefault(name, []).extend(part[1].splitlines())
    return found


def program(path: Path, line: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"#!/bin/sh\n{line}")
    path.chmod(0o755)


class Prompt:
    """A shell in a clone of its own, after the chapter's first block."""

    def __init__(self, home: Path) -> None:
        self.home, self.clone = home, home / "clone"
        program(self.clone / ".venv/bin/likewright", f'exec {sys.executable} -m app "$@"\n')
        program(self.clone / ".venv/bin/pip", CALLED)
        program(home / "bin/git", CALLED)
        [self.first] = chapters()["first"]
        self.env = os.environ | {
            "HOME": str(home), "PYTHONPATH": str(ROOT), "PATH": f"{home}/bin:{os.environ['PATH']}",
        }  # fmt: skip

    def run(self, line: str) -> str:
        """Run a line and give what it said; a server is stopped once it answers."""
        if line == "likewright serve":
            return self._serve(line)
        done = subprocess.run(
            ["bash", "-c", f"{self.first}\n{line}"], cwd=self.clone, env=self.env, timeout=120,
            capture_output=True, text=True,
        )  # fmt: skip
        assert done.returncode in MEANT.get(line, {0}), (line, done.stdout, done.stderr)
        return done.stdout + done.stderr

    def _serve(self, line: str) -> str:
        ports = f" --port {free_port()} --public-port {free_port()}"
        log = self.home / "served"
        with log.open("w") as out:
            server = subprocess.Popen(
                ["bash", "-c", f"{self.first}\nexec {line}{ports}"], cwd=self.clone, env=self.env,
                stdout=out, stderr=out,
            )  # fmt: skip
        try:
            until = time.monotonic() + 60
            while "The staff's pages" not in log.read_text():
                assert server.poll() is None, log.read_text()
                assert time.monotonic() < until, log.read_text()
                time.sleep(0.05)
        finally:
            server.send_signal(signal.SIGINT)
            server.wait(30)
        return log.read_text()


@pytest.fixture
def home(workshop: TestWorkshop, tmp_path: Path) -> Path:
    """A home with a workshop in it that has given out a link."""
    linked_order(workshop)
    workshop.close()
    home = tmp_path.with_name(f"{tmp_path.name}-home")
    home.mkdir()
    workshop.folder.path.rename(home / "workshop")
    return home


@pytest.fixture
def prompt(home: Path) -> Prompt:
    return Prompt(home)


def as_it_is(_: Path) -> None:
    pass


def of_the_version_that_was(home: Path) -> None:
    of_the_version_before(DataFolder(home / "workshop"), home)


def updated_by_a_start(home: Path) -> None:
    of_the_version_that_was(home)
    with opening.opened(DataFolder(home / "workshop")):
        pass


def without_its_key(home: Path) -> None:
    (home / "workshop/key").unlink()


def after_a_night(home: Path) -> None:
    (home / "workshop-backups").mkdir()


def put_back(home: Path, said: str) -> None:
    assert f"data version {EARLIER}" in said
    # The chapter's own start is that of the earlier program; this one brings it up to date again.
    assert version_of(home / "workshop/studio.db") == HEAD
    assert "git checkout" in (home / "called").read_text()


def brought_up_to_date(home: Path, said: str) -> None:
    assert "Audited: everything agrees with the log." in said
    assert (home / "before-update.db").exists()
    assert version_of(home / "workshop/studio.db") == HEAD
    assert (home / "called").read_text().splitlines() == ["git pull", "pip install -q ."]
    assert (home / f"workshop/studio-before-{EARLIER}.db.gz").exists()


def moved(home: Path, said: str) -> None:
    assert "Everything agrees with the log." in said
    assert (home / "for-the-new-machine/key").read_bytes() == (home / "workshop/key").read_bytes()


def links_are_new(home: Path, said: str) -> None:
    assert "Nothing was done. With --yes the links of one order no longer open anything" in said
    assert "Done: the links of one order" in said
    assert (home / "workshop/key").exists()


def room_is_told(_: Path, said: str) -> None:
    assert "GB are free on the disk." in said
    assert "studio.db" in said


Scene = tuple[Callable[[Path], None], Callable[[Path, str], None]]
SCENES: dict[str, Scene] = {
    "To a new version": (as_it_is, brought_up_to_date),
    "Back to the earlier version": (updated_by_a_start, put_back),
    "To another machine": (as_it_is, moved),
    "The key is lost": (without_its_key, links_are_new),
    "The disk is full": (after_a_night, room_is_told),
}


@pytest.mark.parametrize("name", SCENES)
def test_every_command_of_a_chapter_does_what_the_chapter_says(
    name: str, home: Path, prompt: Prompt
) -> None:
    before, afterwards = SCENES[name]
    before(home)
    said = []
    for number, line in enumerate(chapters()[name]):
        # Between the backup by the old program and the start of the new one lies the update.
        if (name, number) == ("To a new version", 1):
            of_the_version_that_was(home)
        said.append(prompt.run(line))
    afterwards(home, "\n".join(said))


def test_no_chapter_has_commands_that_nobody_runs() -> None:
    with_commands = {name for name, lines in chapters().items() if lines}
    assert with_commands == {"first", *SCENES}
