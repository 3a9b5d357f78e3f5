"""`status` at the prompt, `/health` for a monitor: what they say, and what they never say."""

import asyncio
import os
import re
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from app import __version__, opening
from app.main import HOUSE, staff_site
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.tables.migrating import HEAD
from app.upkeep import nightly, status_command
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import linked_order
from tests.staff.browser import Browser
from tests.status.conftest import Visitor

ROOT = Path(__file__).parents[2]


def said(folder: DataFolder, capsys, url: str = "") -> tuple[int, str]:
    code = status_command.main(DataFolder(folder.path), url, HOUSE)
    return code, capsys.readouterr().out


def test_a_studio_that_nobody_can_write_from_needs_a_person(workshop, capsys) -> None:
    linked_order(workshop)
    workshop.close()
    code, out = said(workshop.folder, capsys)
    assert code == status_command.NEEDS_A_PERSON
    first, *others = out.splitlines()
    assert first == (
        f"ok     Likewright {__version__}, data in {workshop.folder.path} (version {HEAD})."
    )
    assert any(line.startswith("to do  No email is being sent") for line in others)
    assert any(line.startswith("ok     ") and "GB are free" in line for line in others)


def test_all_is_well_where_every_check_says_so(workshop, capsys, monkeypatch) -> None:
    monkeypatch.setattr(nightly, "warning", lambda _: None)
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE house SET demo = 1")
    workshop.close()
    code, out = said(workshop.folder, capsys)
    assert (code, "to do" in out) == (status_command.WELL, False)
    assert "An invented workshop is not backed up" in out


def test_a_lost_key_is_said_and_needs_a_person(workshop, capsys) -> None:
    linked_order(workshop)
    workshop.close()
    workshop.folder.key_file.unlink()
    code, out = said(workshop.folder, capsys)
    assert code == status_command.NEEDS_A_PERSON
    assert f"to do  The key file {workshop.folder.key_file} is missing." in out
    assert not workshop.folder.key_file.exists()


def test_where_there_is_no_workshop_that_is_said(tmp_path) -> None:
    with pytest.raises(CannotStart, match="There is no workshop in"):
        opening.status(DataFolder(tmp_path / "nothing"))


def test_both_sites_tell_a_monitor_that_they_answer_and_nothing_else(workshop) -> None:
    linked_order(workshop)
    opening.publishing.rewrite_stale(workshop)
    staff = Browser(staff_site(workshop)).send("GET", "/health")
    public = asyncio.run(Visitor(workshop).asks("/health"))
    for answer in (staff, public):
        assert (answer.status_code, answer.text) == (200, "well\n")
        assert answer.headers["cache-control"] == "no-store"
        assert "set-cookie" not in answer.headers


def test_a_monitor_hears_when_the_pages_or_the_database_cannot_be_read(
    workshop: TestWorkshop, monkeypatch
) -> None:
    linked_order(workshop)
    opening.publishing.rewrite_stale(workshop)
    workshop.folder.pages.write_bytes(b"no database" * 200)
    assert asyncio.run(Visitor(workshop).asks("/health")).status_code == 503

    def gone() -> None:
        raise OSError("the disk is gone")

    monkeypatch.setattr(workshop.database, "reading", gone)
    answer = Browser(staff_site(workshop)).send("GET", "/health")
    assert (answer.status_code, answer.text) == (503, "not well\n")


def test_a_page_can_be_asked_for_without_its_body(workshop) -> None:
    browser = Browser(staff_site(workshop))
    head, get = browser.send("HEAD", "/sign-in"), browser.send("GET", "/sign-in")
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["content-length"] == str(len(get.content))
    assert browser.send("HEAD", "/sign-out").status_code == 405


def at_the_prompt(before: str, *words: str) -> "subprocess.CompletedProcess[str]":
    code = f"import sys\n{before}\nfrom app.__main__ import main\nmain()"
    return subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, timeout=120,
        cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip


def test_the_version_is_said() -> None:
    done = at_the_prompt("", "--version")
    assert (done.returncode, done.stdout) == (0, f"Likewright {__version__}, data version {HEAD}\n")


def test_on_a_system_that_it_does_not_run_on_it_says_so() -> None:
    done = at_the_prompt("sys.modules['fcntl'] = None", "--help")
    assert done.returncode == 69
    assert "runs on Linux and macOS" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_log_says_when_in_utc_and_who_signed_in() -> None:
    said = (
        "from app import cli; import logging; cli._log_to_stderr();"
        "logging.getLogger('likewright.staff').info('account 7 signed in');"
        "logging.getLogger('likewright.other').info('of no interest'); sys.exit(0)"
    )
    done = at_the_prompt(said)
    assert re.fullmatch(
        r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ INFO likewright\.staff: account 7 signed in\n",
        done.stderr,
    )
    when = datetime.strptime(done.stderr[:20], "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
    assert abs(when.timestamp() - time.time()) < 120


def test_requests_from_elsewhere_are_noted_and_cannot_fill_the_log(workshop, caplog) -> None:
    site = staff_site(workshop)
    clock = [0.0]
    site.monotonic = lambda: clock[0]
    browser = Browser(site)
    for _ in range(50):
        foreign = {"origin": "https://elsewhere.example\x0bWARNING forged"}
        assert browser.send("POST", "/sign-in", headers=foreign).status_code == 403
    clock[0] = 61.0
    browser.send("POST", "/sign-in", headers={"origin": "https://elsewhere.example"})
    lines = [record.getMessage() for record in caplog.records if "elsewhere" in record.getMessage()]
    assert [line.split()[1] for line in lines] == ["1", "50"]
    assert all(line.isprintable() for line in lines)
