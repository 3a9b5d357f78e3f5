"""A studio that is being set up, its owner signed in, and a mail server that asks for a name."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from app.letters import worker as letters_worker
from app.main import staff_site
from tests.letters.mail_server import Certificate, MailServer, make_certificate
from tests.making import CAST
from tests.staff.browser import Browser, ClockedWorkshop, opened

LOGIN = ("desk@fernlight.example", "p@ss#w/rd 1 ü")


@pytest.fixture
def workshop(studio_file: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[ClockedWorkshop]:
    """A studio over a migrated database, with nothing in the environment."""
    for name in ("PUBLIC_URL", "SMTP_URL", "TAGGED_SENDER", "BACKUPS"):
        monkeypatch.delenv(f"LIKEWRIGHT_{name}", raising=False)
    letters_worker.smtp_url.cache_clear()
    with opened(studio_file, ClockedWorkshop) as workshop:
        yield workshop
    letters_worker.smtp_url.cache_clear()


@pytest.fixture
def owner(workshop: ClockedWorkshop) -> Browser:
    """A browser on the whole staff site, the owner signed in."""
    return Browser(staff_site(workshop)).as_(workshop, CAST.owner)


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    """A certificate for 127.0.0.1 and localhost that nobody has signed but itself."""
    return make_certificate(tmp_path_factory.mktemp("tls"), "IP:127.0.0.1,DNS:localhost")


@pytest.fixture
def mailbox(certificate: Certificate, monkeypatch: pytest.MonkeyPatch) -> Iterator[MailServer]:
    """A server with STARTTLS that this machine trusts, and that takes only its own sender."""
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate.cert))
    refuses = lambda sender: sender != LOGIN[0]  # noqa: E731
    with MailServer(certificate, "offered", login=LOGIN, refuses_sender=refuses) as server:
        yield server
