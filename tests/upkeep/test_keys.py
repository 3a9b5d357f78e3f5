"""A studio that has given out links starts with its own key, or not at all and in words."""

import asyncio
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from app import opening
from app.cli import UNAVAILABLE
from app.orders.order import links
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.shared.tokens import key_fingerprint
from app.upkeep import audit_command, keys
from app.upkeep.audit import audit
from app.upkeep.backup import back_up, read_label
from tests.making import NOW, rows
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import linked_order
from tests.status.conftest import Visitor


def command(folder: DataFolder, *words: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "app", *words, "--data", str(folder.path)],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip


def kept(folder: DataFolder) -> object:
    with closing(TestWorkshop(folder)) as workshop:
        return rows(workshop.database, "SELECT key_fingerprint FROM house")[0][0]


def opened(folder: DataFolder) -> None:
    """Open the studio as a server would, and close it again."""
    with opening.opened(DataFolder(folder.path)):
        pass


@pytest.fixture
def studio(workshop: TestWorkshop) -> DataFolder:
    """A closed studio with three links of two customers' orders, opened once with its own key."""
    first, _ = linked_order(workshop)
    linked_order(workshop)
    third, _ = linked_order(workshop)
    with workshop.database.writing() as db:
        db.exec_driver_sql(
            f"UPDATE orders SET customer_id = {first.customer_id} WHERE id = {third.id}"
        )
    workshop.close()
    opened(workshop.folder)
    return workshop.folder


def lose(folder: DataFolder) -> bytes:
    key = folder.key_file.read_bytes()
    folder.key_file.unlink()
    return key


def swap(folder: DataFolder) -> bytes:
    key = lose(folder)
    folder.key_file.write_bytes(bytes(32))
    return key


def test_the_first_opening_keeps_the_fingerprint_of_a_new_studio(tmp_path: Path) -> None:
    folder = DataFolder(tmp_path / "new")
    opened(folder)
    assert kept(folder) == key_fingerprint(folder.key)
    assert folder.key not in folder.database_file.read_bytes()


def test_an_existing_studio_is_known_by_its_links_at_its_first_opening(
    workshop: TestWorkshop,
) -> None:
    linked_order(workshop)
    workshop.close()
    assert kept(workshop.folder) is None
    key = swap(workshop.folder)
    with pytest.raises(CannotStart, match="is not the one that this workshop's links"):
        opened(workshop.folder)
    assert kept(workshop.folder) is None
    workshop.folder.key_file.write_bytes(key)
    opened(workshop.folder)
    assert kept(workshop.folder) == key_fingerprint(key)


@pytest.mark.parametrize(
    ("accident", "said"),
    [(lose, "is missing"), (swap, "is not the one that this workshop's links")],
)
def test_with_a_lost_or_other_key_nothing_starts_and_what_to_do_is_said(
    studio: DataFolder, accident, said: str
) -> None:
    before = kept(studio)
    key = accident(studio)
    done = command(studio, "serve", "--port", "1", "--public-port", "2")
    assert done.returncode == UNAVAILABLE
    assert f"The key file {studio.key_file} {said}" in done.stderr
    assert "Put the workshop's own key file back there" in done.stderr
    assert "likewright replace-links" in done.stderr
    assert "--replace-links" in done.stderr
    assert "three orders no longer open anything, and two customers" in done.stderr
    assert studio.key_file.exists() == (accident is swap)
    assert kept(studio) == before
    studio.key_file.write_bytes(key)
    opened(studio)


@pytest.mark.parametrize("accident", [lose, swap])
def test_the_audit_names_a_lost_or_other_key(studio: DataFolder, accident, capsys) -> None:
    own = key_fingerprint(studio.key)
    assert audit(DataFolder(studio.path), NOW + 60, with_key=True).differences == []
    accident(studio)
    [found] = audit(DataFolder(studio.path), NOW + 60, with_key=True).differences
    other = key_fingerprint(bytes(32)) if accident is swap else None
    assert (found.what, found.field, found.cached) == ("key", "fingerprint", own)
    assert found.from_log == other
    assert audit_command.main(DataFolder(studio.path), False) == 1
    assert "fingerprint" in capsys.readouterr().out


@pytest.mark.parametrize("accident", [lose, swap])
def test_a_studio_that_gave_out_no_link_takes_any_key(workshop: TestWorkshop, accident) -> None:
    order, _ = linked_order(workshop)
    with workshop.database.writing() as db:
        links.revoke(db, order.id, NOW)
    workshop.close()
    opened(workshop.folder)
    accident(workshop.folder)
    opened(workshop.folder)
    assert kept(workshop.folder) == key_fingerprint(workshop.folder.key_file.read_bytes())
    assert audit(workshop.folder, NOW + 60, with_key=True).ok


def test_a_backup_is_of_the_key_that_the_links_were_made_with(
    studio: DataFolder, tmp_path: Path
) -> None:
    own = key_fingerprint(lose(studio))
    to = tmp_path.with_name(f"{tmp_path.name}-kept") / "studio.db"
    assert back_up(DataFolder(studio.path), to, NOW + 60).audit.ok
    assert read_label(to).key_fingerprint == own


def test_links_are_replaced_only_for_a_yes(studio: DataFolder) -> None:
    key = lose(studio)
    before = studio.database_file.read_bytes()
    asked = command(studio, "replace-links")
    assert asked.returncode == UNAVAILABLE
    assert "Nothing was done." in asked.stderr
    assert "three orders no longer open anything, and two customers" in asked.stderr
    assert not studio.key_file.exists()
    assert studio.database_file.read_bytes() == before
    done = command(studio, "replace-links", "--yes")
    assert done.returncode == 0, done.stderr
    assert "two customers must be sent the new ones" in done.stdout
    assert studio.key_file.read_bytes() != key
    assert audit(DataFolder(studio.path), NOW + 10**8, with_key=True).ok
    opened(studio)


@pytest.mark.parametrize("accident", [lose, swap])
def test_the_old_links_open_nothing_and_the_new_ones_their_page(
    workshop: TestWorkshop, accident
) -> None:
    order, old = linked_order(workshop)
    workshop.close()
    opened(workshop.folder)
    accident(workshop.folder)
    folder = DataFolder(workshop.folder.path)
    assert keys.replace_links(folder, NOW + 60, yes=True) == keys.GivenOut(1, 1)
    opened(folder)
    with closing(TestWorkshop(folder)) as again:
        opening.publishing.rewrite_stale(again)
        with again.database.reading() as db:
            new = links.current(db, folder.key, order.id)
        ask = Visitor(again).asks
        assert asyncio.run(ask(f"/{old}/")).status_code == 404
        assert asyncio.run(ask(f"/{new}/")).status_code == 200


def test_beside_a_running_server_no_link_is_replaced(studio: DataFolder) -> None:
    with closing(studio.hold()), pytest.raises(CannotStart, match="already running"):
        keys.replace_links(studio, NOW, yes=True)
