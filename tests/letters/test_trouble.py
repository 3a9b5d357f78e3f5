"""A mail server that fails, a sender that it does not accept, a letter that dies: people are told."""

from collections.abc import Iterator

import pytest

from app.letters import worker as letters_worker
from app.main import staff_site
from tests.letters.mail_server import MailServer
from tests.letters.studio import MINUTE, STUDIO_MAIL, LetterShop, letters, ordered
from tests.making import CAST, DAY, HOUR
from tests.staff.browser import Browser


@pytest.fixture
def by_server(
    workshop: LetterShop, server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> Iterator[LetterShop]:
    """The shop with this mail server named in its environment."""
    monkeypatch.setenv("LIKEWRIGHT_SMTP_URL", server.url)
    letters_worker.smtp_url.cache_clear()
    yield workshop
    letters_worker.smtp_url.cache_clear()


def page(workshop: LetterShop, address: str = "/") -> str:
    return Browser(staff_site(workshop)).as_(workshop, CAST.owner).get(address).text


def test_a_server_that_takes_no_tagged_sender_gets_the_plain_address(
    by_server: LetterShop, server: MailServer
) -> None:
    server.refuses_sender = lambda address: "+" in address
    ordered(by_server)
    assert by_server.post(15 * MINUTE) == 1
    assert [kept.sender for kept in server.kept] == [STUDIO_MAIL]
    assert letters_worker.trouble_banner(by_server) is None


def test_a_server_that_is_said_to_take_tagged_senders_gets_them(
    by_server: LetterShop, server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LIKEWRIGHT_TAGGED_SENDER", "yes")
    ordered(by_server)
    assert by_server.post(15 * MINUTE) == 1
    [kept] = server.kept
    assert kept.sender.startswith("desk+l")


def test_a_refused_sender_keeps_the_letter_waiting_and_every_page_says_so(
    by_server: LetterShop, server: MailServer
) -> None:
    server.refuses_sender = lambda address: True
    ordered(by_server)
    assert by_server.post(15 * MINUTE) == 0
    [(_, state, _, tries, why)] = letters(by_server)
    assert (state, tries) == ("waiting", 1)
    assert "553 5.7.1" in str(why)
    for address in ("/", "/orders", "/letters"):
        said = page(by_server, address)
        assert f"The mail server does not accept {STUDIO_MAIL} as the sender." in said
        assert "It answered: 553 5.7.1" in said
    server.refuses_sender = lambda address: False
    assert by_server.post(HOUR) == 1
    assert letters_worker.trouble_banner(by_server) is None
    assert "does not accept" not in page(by_server)


def test_a_server_that_has_failed_for_an_hour_is_said_on_every_page_and_over_a_restart(
    by_server: LetterShop, server: MailServer
) -> None:
    server.script["CONNECT"] = ["421 not now"] * 99
    ordered(by_server)
    assert by_server.post(15 * MINUTE) == 0
    for _ in range(11):
        assert letters_worker.trouble_banner(by_server) is None
        by_server.post(5 * MINUTE)
    again = LetterShop(by_server.folder)
    again.moment = by_server.moment + 5 * MINUTE
    said = str(letters_worker.trouble_banner(again))
    assert said.startswith("Emails have been waiting since today, 10:15.")
    assert "421 not now" in said
    assert "421 not now" in page(again)
    server.script.clear()
    assert again.post(HOUR) == 1
    assert letters_worker.trouble_banner(again) is None
    again.close()


def test_a_letter_that_died_is_said_and_counted_beside_letters_until_somebody_acts(
    by_server: LetterShop, server: MailServer
) -> None:
    ordered(by_server)
    ordered(by_server, mail="other@castellan.example")
    assert "<strong" not in page(by_server).split("</nav>")[0]
    server.script["RCPT"] = ["550 5.1.1 no such user"] * 2
    assert by_server.post(15 * MINUTE) == 0
    said = page(by_server)
    assert "Two emails could not be sent." in said
    assert ">2</strong>" in said.split("</nav>")[0]
    browser = Browser(staff_site(by_server)).as_(by_server, CAST.desk)
    browser.post("/letters/1/drop")
    assert "One email could not be sent." in browser.get("/orders").text
    browser.post("/letters/2/again")
    assert "could not be sent" not in browser.get("/orders").text
    assert "<strong" not in browser.get("/orders").text.split("</nav>")[0]


def test_one_recipient_who_is_put_off_is_no_trouble_of_the_server(
    by_server: LetterShop, server: MailServer
) -> None:
    server.script["RCPT"] = ["451 greylisted"] * 99
    ordered(by_server)
    by_server.post(15 * MINUTE)
    by_server.post(DAY)
    assert letters(by_server)[0][1] == "waiting"
    assert letters_worker.trouble_banner(by_server) is None


def test_the_benches_see_the_trouble_but_no_page_that_is_not_theirs(
    by_server: LetterShop, server: MailServer
) -> None:
    server.script["RCPT"] = ["550 5.1.1 no such user"]
    ordered(by_server)
    by_server.post(15 * MINUTE)
    said = Browser(staff_site(by_server)).as_(by_server, CAST.painter).get("/").text
    assert "One email could not be sent." in said
    assert "<strong" not in said.split("</nav>")[0]
