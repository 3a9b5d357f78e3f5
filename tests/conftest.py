"""What tests lean on: a migrated database copied for each test, and a fixed cast.

`house` is an open database of one test's own, `cast` the people who have accounts in it; the
helpers that put orders into it stand in tests.making. The template is migrated once a session,
with the real migrations, and copied as a file.
"""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from sqlalchemy import insert

from app.shared.database import Database
from app.tables import accounts
from app.tables.migrating import migrate
from tests.making import CAST, MADE_AT, Cast

_common = {
    "deadline": None,
    "suppress_health_check": [HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
}
# On a machine that checks (CI is set there) every run tries the same examples.
settings.register_profile("ci", derandomize=True, database=None, **_common)
settings.register_profile("here", **_common)
settings.load_profile("ci" if os.environ.get("CI") else "here")


# Files of few tests that each take long: browsers, servers that are killed, whole photo checks.
# A worker that comes to one of them last keeps the others waiting.
_LONG = {"browser", "faults", "check", "test_own_backtest.py", "test_life_of_an_order.py"}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with what takes long, so that the workers end together."""
    items.sort(key=lambda item: _LONG.isdisjoint(item.path.parts))


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated database file with the cast's accounts in it. Copy it, never open it."""
    path = tmp_path_factory.mktemp("template") / "studio.db"
    migrate(path, MADE_AT)
    database = Database(path)
    with database.writing() as db:
        for person in CAST.everybody:
            db.execute(
                insert(accounts).values(
                    id=person.account_id, name=person.name, name_key=person.name.casefold(),
                    role=person.role, made_at=MADE_AT,
                )
            )  # fmt: skip
    database.close()
    assert not path.with_name("studio.db-wal").exists(), "a copy would miss what is in the log"
    return path


@pytest.fixture
def studio_file(template: Path, tmp_path: Path) -> Path:
    """A copy of the template, `studio.db` in the test's own folder."""
    return Path(shutil.copyfile(template, tmp_path / "studio.db"))


@pytest.fixture
def database(studio_file: Path) -> Iterator[Database]:
    """The test's own database, open."""
    database = Database(studio_file)
    yield database
    database.close()


@pytest.fixture
def cast() -> Cast:
    """Who works in this studio: owner, desk, and three at the benches."""
    return CAST
