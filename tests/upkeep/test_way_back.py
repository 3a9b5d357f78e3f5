"""Back to the version before an update: the copy that the update put aside is put in place again."""

import gzip
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from app import opening
from app.letters import by_hand
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.tables import migrating
from app.upkeep import way_back
from app.upkeep.audit import audit
from tests.making import CAST, NOW, rows
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import linked_order
from tests.upkeep.earlier import EARLIER, of_the_version_before

LATER = NOW + 3600


@pytest.fixture
def updated(workshop: TestWorkshop, tmp_path: Path) -> DataFolder:
    """A studio of the version before, in which somebody is signed in, updated by a server's start."""
    from app.staff import sessions

    linked_order(workshop)
    with workshop.database.writing() as db:
        sessions.begin(db, 1, NOW)
    workshop.close()
    of_the_version_before(workshop.folder, tmp_path)
    with opening.opened(DataFolder(workshop.folder.path)):
        pass
    assert migrating.version_of(workshop.folder.database_file) == migrating.HEAD
    return DataFolder(workshop.folder.path)


def packed_of(folder: DataFolder) -> Path:
    return folder.path / f"studio-before-{EARLIER}.db.gz"


def digest_at(folder: DataFolder) -> str:
    with closing(sqlite3.connect(folder.database_file)) as raw:
        return migrating.schema_digest(raw)


def test_the_studio_is_as_it_was_before_the_update_for_the_program_that_wrote_it(
    updated: DataFolder,
) -> None:
    with closing(TestWorkshop(updated)) as since:
        linked_order(since)
    said = way_back.put_back(updated, packed_of(updated), LATER)
    assert migrating.version_of(updated.database_file) == EARLIER
    # What the earlier program compares at its start.
    assert digest_at(updated) == migrating.SCHEMAS[EARLIER]
    assert not list(updated.path.glob("studio.db.restoring*"))
    assert not list(updated.path.glob("pages.db*"))
    with closing(sqlite3.connect(updated.database_file)) as raw:
        assert raw.execute("SELECT count(*) FROM orders").fetchone() == (1,)
        assert raw.execute("SELECT ended_at FROM sessions").fetchall() == [(LATER,)]
    [aside] = updated.path.parent.glob(f"{updated.path.name}-before-restore-*")
    assert any(str(aside) in line for line in said)
    with closing(sqlite3.connect(aside / "studio.db")) as raw:
        assert raw.execute("SELECT count(*) FROM orders").fetchone() == (2,)
    assert f"data version {EARLIER}" in said[0]
    assert "install it now" in said[-1]


def test_this_program_can_bring_it_up_to_date_again_and_the_audit_is_clean(
    updated: DataFolder,
) -> None:
    way_back.put_back(updated, packed_of(updated), LATER)
    with opening.opened(DataFolder(updated.path)) as workshop, workshop.database.reading() as db:
        assert by_hand.off_since(db) == LATER
    assert migrating.version_of(updated.database_file) == migrating.HEAD
    assert audit(updated, LATER, with_key=True).differences == []
    with closing(TestWorkshop(updated)) as again:
        assert rows(again.database, "SELECT name FROM accounts WHERE id = 1") == [
            (CAST.owner.name,)
        ]


def test_a_file_that_is_no_such_copy_changes_nothing(updated: DataFolder, tmp_path: Path) -> None:
    before = updated.database_file.read_bytes()
    whole = packed_of(updated).read_bytes()
    half, other, empty = (tmp_path / f"{name}.db.gz" for name in ("half", "other", "empty"))
    half.write_bytes(whole[: len(whole) // 2])
    other.write_bytes(b"not packed at all")
    empty.write_bytes(gzip.compress(b""))
    wrong = {half: "damaged", other: "damaged", empty: "empty", tmp_path / "no.db.gz": "no file"}
    for file, why in wrong.items():
        with pytest.raises(CannotStart, match=why):
            way_back.put_back(updated, file, LATER)
    assert updated.database_file.read_bytes() == before
    assert not list(updated.path.parent.glob(f"{updated.path.name}-before-restore-*"))


def test_beside_a_running_server_and_without_a_key_nothing_is_put_back(updated: DataFolder) -> None:
    with (
        opening.opened(DataFolder(updated.path)),
        pytest.raises(CannotStart, match="already running"),
    ):
        way_back.put_back(updated, packed_of(updated), LATER)
    shutil.move(updated.key_file, updated.path.parent / "the-key")
    with pytest.raises(CannotStart, match="has no key"):
        way_back.put_back(updated, packed_of(updated), LATER)
