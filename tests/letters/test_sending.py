"""Claim, send, mark: what a crash at each point leaves, and who is held up by whom."""

import threading
import time
from collections.abc import Callable

import pytest
from sqlalchemy import update

from app.letters import by_hand, outbox, rules, sending
from app.letters import worker as letters_worker
from app.letters.post import Smtp, read_url
from app.letters.sending import Became
from app.orders.order import actions as order_actions
from app.orders.order.actions import CancelFields
from app.shared import database, faults
from app.tables import animals, customer_mails
from app.tables import letters as letters_table
from tests.letters.mail_server import MailServer
from tests.letters.studio import MINUTE, LetterShop, change_order, files, letters, ordered, read
from tests.making import CAST, DAY, HOUR, Wanted


class Killed(BaseException):
    """What no handler catches."""


@pytest.fixture
def by_server(
    workshop: LetterShop, server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> LetterShop:
    """The shop, sending by the mail server; every try ends within a second."""
    way = Smtp(read_url(server.url), 1.0, 1.0)
    monkeypatch.setattr(letters_worker, "way_of", lambda _: way)
    return workshop


def formed(workshop: LetterShop, count: int = 1) -> None:
    for n in range(count):
        ordered(workshop, mail=f"c{n}@castellan.example")
    workshop.moment += 15 * MINUTE
    assert letters_worker.form_round(workshop) == count


def killed_at(
    monkeypatch: pytest.MonkeyPatch, point: str, workshop: LetterShop, times: int = 1
) -> None:
    """Send until a named point, and fall there."""
    left = [times]

    def reach(reached: str) -> None:
        if reached == point:
            left[0] -= 1
            if not left[0]:
                raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(faults, "reach", reach)
        patch.setattr(database, "reach", reach)
        with pytest.raises(Killed):
            letters_worker.send_round(workshop)


def test_before_the_claim_is_on_disk_nothing_has_gone(
    by_server: LetterShop, server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    formed(by_server)
    killed_at(monkeypatch, "before commit", by_server)
    assert server.kept == []
    assert [row[1] for row in letters(by_server)] == ["waiting"]
    assert by_server.post(1) == 1
    assert len(server.kept) == 1


def test_a_claim_whose_sender_died_is_taken_up_at_the_next_start(
    by_server: LetterShop, server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    formed(by_server)
    killed_at(monkeypatch, "after claim", by_server)
    assert server.kept == []
    assert letters_worker.send_round(by_server).sent == 0, "the lease still runs"
    outbox.release_leases(by_server.database, by_server.moment)
    assert letters_worker.send_round(by_server).sent == 1
    assert len(server.kept) == 1


def test_a_lease_ends_by_itself(
    by_server: LetterShop, server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    formed(by_server)
    killed_at(monkeypatch, "after claim", by_server)
    by_server.moment += rules.LEASE
    assert letters_worker.send_round(by_server).sent == 1
    assert len(server.kept) == 1


def test_after_the_servers_yes_one_copy_more_goes_the_same_to_the_byte(
    by_server: LetterShop, server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    formed(by_server)
    killed_at(monkeypatch, "after the mail server's yes", by_server)
    outbox.release_leases(by_server.database, by_server.moment)
    by_server.moment += HOUR
    assert letters_worker.send_round(by_server).sent == 1
    first, second = server.kept
    assert first.data == second.data
    assert first.recipients == second.recipients
    assert letters_worker.send_round(by_server).sent == 0


def test_a_file_that_was_written_before_the_crash_is_there_once(
    workshop: LetterShop, monkeypatch: pytest.MonkeyPatch
) -> None:
    formed(workshop)
    killed_at(monkeypatch, "after the mail server's yes", workshop)
    outbox.release_leases(workshop.database, workshop.moment)
    assert letters_worker.send_round(workshop).sent == 1
    assert len(files(workshop)) == 1


def test_two_who_want_the_same_letter_do_not_both_get_it(workshop: LetterShop) -> None:
    formed(workshop)
    first = outbox.claim(workshop.database, 1, workshop.moment)
    assert first is not None
    assert outbox.claim(workshop.database, 1, workshop.moment) is None
    # Whoever comes back after the lease had gone to another marks nothing.
    workshop.moment += rules.LEASE
    assert outbox.claim(workshop.database, 1, workshop.moment) is not None
    assert not outbox.mark_sent(workshop.database, first, workshop.moment)
    assert letters(workshop)[0][1] == "sending"


def test_a_refused_letter_is_dead_with_the_reason_and_holds_up_nobody(
    by_server: LetterShop, server: MailServer
) -> None:
    formed(by_server, 3)
    server.script["RCPT"] = ["550 5.1.1 no such user"]
    done = letters_worker.send_round(by_server)
    assert list(done.became.values()) == [Became.DEAD, Became.SENT, Became.SENT]
    [dead, *_] = letters(by_server)
    assert dead[1] == "dead"
    assert "550 5.1.1 no such user" in str(dead[4])
    by_server.moment += 10 * DAY
    assert letters_worker.send_round(by_server).sent == 0


def test_a_letter_that_is_put_off_waits_longer_each_time_and_dies_at_last(
    by_server: LetterShop, server: MailServer
) -> None:
    formed(by_server)
    server.script["RCPT"] = ["451 later"] * 40
    begun, tries = by_server.moment, 0
    while letters(by_server)[0][1] == "waiting":
        tries += len(letters_worker.send_round(by_server).became)
        by_server.moment += 30 * MINUTE
    assert tries == rules.MOST_TRIES
    assert 3 * DAY < by_server.moment - begun < 6 * DAY
    [row] = letters(by_server)
    assert row[1] == "dead"
    assert "451 later" in str(row[4])


def test_a_server_that_is_not_there_ends_the_round_after_one_try(
    by_server: LetterShop, server: MailServer
) -> None:
    formed(by_server, 5)
    server.script["CONNECT"] = ["drop"] * 9
    done = letters_worker.send_round(by_server)
    assert list(done.became.values()) == [Became.NOT_REACHED]
    assert not done.reached
    server.script.clear()
    by_server.moment += HOUR
    assert letters_worker.send_round(by_server).sent == 5


def test_a_letter_that_cannot_be_worded_any_more_is_dead_and_the_next_goes(
    workshop: LetterShop,
) -> None:
    formed(workshop, 2)
    with workshop.database.writing() as db:
        db.execute(update(letters_table).where(letters_table.c.id == 1).values(facts='{"form": 9}'))
    done = letters_worker.send_round(workshop)
    assert list(done.became.values()) == [Became.DEAD, Became.SENT]


@pytest.mark.parametrize(
    ("field", "value"),
    [("to_name", "=?UTF-8?Q?=0ABcc:_x=40y?="), ("subject", "a\nBcc: x@y.example")],
)
def test_a_name_that_mail_would_misread_never_leaves(
    workshop: LetterShop, field: str, value: str
) -> None:
    formed(workshop)
    with workshop.database.writing() as db:
        db.execute(update(letters_table).values({field: value, "tries": 1}))
        db.execute(update(letters_table).values(recipient="c0@castellan.example"))
    done = letters_worker.send_round(workshop)
    assert list(done.became.values()) == [Became.DEAD]
    assert files(workshop) == []


def change_to_gift(workshop: LetterShop, order: object) -> None:
    change_order(workshop, order, gift=1)  # type: ignore[arg-type]


def let_it_be_remembered(workshop: LetterShop, order: object) -> None:
    with workshop.database.writing() as db:
        db.execute(update(animals).values(life="remembered"))


@pytest.mark.parametrize("change", [change_to_gift, let_it_be_remembered])
def test_a_change_of_tone_stops_what_waits_for_a_look(
    workshop: LetterShop, change: Callable[[LetterShop, object], None]
) -> None:
    order = ordered(workshop, [Wanted("Otis")])
    workshop.moment += 15 * MINUTE
    letters_worker.form_round(workshop)
    change(workshop, order)
    assert letters_worker.send_round(workshop).sent == 0
    assert letters(workshop)[0][1::3] == ("held", outbox.TONE_CHANGED)
    asked = workshop.in_force()
    by_hand.send_again(workshop.database, asked, 1, CAST.desk, workshop.moment)
    assert letters_worker.send_round(workshop).sent == 1
    assert "is in" not in read(files(workshop)[0])["Subject"]


def test_an_address_that_was_changed_meanwhile_gets_what_was_never_tried(
    by_server: LetterShop, server: MailServer
) -> None:
    formed(by_server)
    with by_server.database.writing() as db:
        db.execute(update(customer_mails).values(mail="new@castellan.example"))
    letters_worker.send_round(by_server)
    assert server.kept[0].recipients == ["new@castellan.example"]


def test_an_address_that_was_changed_after_a_try_waits_for_a_person(
    by_server: LetterShop, server: MailServer
) -> None:
    formed(by_server)
    server.script["DOT"] = ["drop"]
    letters_worker.send_round(by_server)
    with by_server.database.writing() as db:
        db.execute(update(customer_mails).values(mail="new@castellan.example"))
    by_server.moment += HOUR
    letters_worker.send_round(by_server)
    assert letters(by_server)[0][1::3] == ("held", outbox.ADDRESS_CHANGED)


def test_without_an_address_a_letter_waits_for_one(workshop: LetterShop) -> None:
    ordered(workshop, mail="")
    assert workshop.post(15 * MINUTE) == 0
    assert letters(workshop)[0][1::3] == ("held", outbox.NO_ADDRESS)


def test_what_waited_for_more_than_five_days_is_read_first(workshop: LetterShop) -> None:
    formed(workshop)
    workshop.moment += 6 * DAY
    assert letters_worker.send_round(workshop).sent == 0
    assert letters(workshop)[0][1::3] == ("held", outbox.TOO_OLD)


def test_nothing_of_a_cancelled_order_goes(workshop: LetterShop) -> None:
    order = ordered(workshop)
    workshop.moment += 15 * MINUTE
    letters_worker.form_round(workshop)
    stop = CancelFields(reason="a change of mind", whose="customer")
    order_actions.cancel(workshop, order.id, stop, CAST.desk, "k")
    assert letters_worker.send_round(workshop).sent == 0
    assert letters(workshop)[0][1] == "dropped"


def test_the_worker_ends_when_it_is_told(workshop: LetterShop) -> None:
    formed(workshop)
    stop = threading.Event()
    thread = threading.Thread(target=letters_worker.run, args=(workshop, stop))
    thread.start()
    for _ in range(200):
        if files(workshop):
            break
        time.sleep(0.02)
    stop.set()
    thread.join(3)
    assert not thread.is_alive()
    assert len(files(workshop)) == 1


def test_a_round_stops_between_two_letters_when_the_house_ends(workshop: LetterShop) -> None:
    formed(workshop, 3)
    asked = iter([False, True])
    office = sending.Office(
        "F",
        "desk@fernlight.example",
        letters_worker.way_of(workshop),
        letters_worker.linked_of(workshop),
        workshop.folder.pictures,
    )
    done = sending.send_due(
        workshop.database, office, workshop.now, lambda: 0.5, lambda: next(asked)
    )
    assert done.sent == 1
