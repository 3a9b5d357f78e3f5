"""The door of the staff site, with the rooms of sign-in and settings behind it."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import Depends, FastAPI

from app.flow.steps import BENCHES, STEPS
from app.shared.places import DataFolder
from app.shared.web import refusals
from app.shared.web.headers import Guard
from app.shared.web.templating import environment
from app.staff import gate, pages, passwords, store
from app.studio import carrier_pages
from app.studio import pages as studio_pages
from app.studio.workshop import Workshop
from tests.making import CAST
from tests.staff.browser import PASSWORD, Browser, ClockedWorkshop, opened


def door(workshop: Workshop) -> Guard:
    """A site with these two rooms only."""
    site = FastAPI(
        docs_url=None, redoc_url=None, openapi_url=None, dependencies=[Depends(gate.gate)]
    )
    site.state.workshop = workshop
    site.state.templates = environment()
    site.state.steps = {step.value: STEPS[step].name for step in BENCHES}
    site.include_router(pages.router)
    site.include_router(studio_pages.router)
    site.include_router(carrier_pages.router)
    refusals.install(site)
    gate.install(site)
    return Guard(site, hosts=["testserver"], referrer="same-origin")


@pytest.fixture(scope="session")
def kept_password() -> str:
    """The hash of PASSWORD, computed once."""
    return passwords.make(PASSWORD)


@pytest.fixture
def workshop(studio_file: Path, kept_password: str) -> Iterator[ClockedWorkshop]:
    """A studio whose cast can all sign in with PASSWORD."""
    with opened(studio_file, ClockedWorkshop) as workshop:
        with workshop.database.writing() as db:
            for person in CAST.everybody:
                assert person.account_id is not None
                store.set_account(db, person.account_id, password_hash=kept_password)
        yield workshop


@pytest.fixture
def empty_shop(tmp_path: Path) -> Iterator[ClockedWorkshop]:
    """A studio that was never opened: nobody has an account."""
    from app.tables.migrating import migrate

    folder = DataFolder(tmp_path / "new")
    folder.prepare()
    workshop = ClockedWorkshop(folder)
    migrate(folder.database_file, workshop.now())
    yield workshop
    workshop.close()


@pytest.fixture
def browser(workshop: ClockedWorkshop) -> Browser:
    """A browser in front of the shop, nobody signed in."""
    return Browser(door(workshop))


@pytest.fixture
def owner(workshop: ClockedWorkshop) -> Browser:
    """Another one, in which the owner is signed in."""
    return Browser(door(workshop)).as_(workshop, CAST.owner)
