"""A studio that may write letters: a public address, a mail address, a clock that the test turns."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from app.letters import worker as letters_worker
from tests.letters.mail_server import Certificate, MailServer, make_certificate
from tests.letters.studio import LetterShop
from tests.staff.browser import opened


@pytest.fixture
def workshop(studio_file: Path) -> Iterator[LetterShop]:
    """A workshop on a copy of the migrated template; its letters become files."""
    with opened(studio_file, LetterShop) as workshop:
        workshop.introduce()
        letters_worker.smtp_url.cache_clear()
        yield workshop
        letters_worker.smtp_url.cache_clear()


@pytest.fixture
def server() -> Iterator[MailServer]:
    """A mail server on loopback that does as it is told."""
    with MailServer() as server:
        yield server


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    """A certificate for 127.0.0.1 that nobody has signed but itself."""
    return make_certificate(tmp_path_factory.mktemp("tls"))
