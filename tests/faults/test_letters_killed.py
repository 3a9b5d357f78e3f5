"""Letters going out while the server is ended: none lost, repeats bounded and the same to the byte.

RFC 1047 describes the window between a mail server's yes and the sender's note of it: a crash
there repeats the mail. So a letter may come twice, under one Message-ID, and never not at all.
"""

import email
import json
import random
import time
from collections import defaultdict

import pytest
from sqlalchemy import insert

from app.flow import news_rows as news
from app.shared import clock
from app.shared.database import Database
from app.shared.places import DataFolder
from app.tables import customer_mails
from tests.faults.server import Server
from tests.letters.mail_server import MailServer
from tests.making import CAST, Wanted, make_order, rows

HOUR = 3_600
ALWAYS = {
    "hours": dict.fromkeys(range(7), "0:00-24:00"),
    "posting_from": 0,
    "posting_until": 24,
    "name": "Saltmarsh Bench",
    "contact_mail": "hello@saltmarsh-bench.example",
}


def studio_with_news(folder: DataFolder, many: int) -> None:
    """Orders that have come in an hour ago and whose letters are due now."""
    database = Database(folder.database_file)
    now = clock.now()
    with database.writing() as db:
        for name, value in ALWAYS.items():
            db.exec_driver_sql(
                "INSERT INTO settings (name, value, changed_at) VALUES (?, ?, ?)",
                (name, json.dumps(value), now),
            )
    for n in range(many):
        made = make_order(database, CAST.desk, now, [Wanted(f"Juniper{n}")], at=now - HOUR)
        with database.writing() as db:
            mail = f"customer{n}@letterbox.example"
            db.execute(
                insert(customer_mails).values(
                    customer_id=made.customer_id, mail=mail, mail_key=mail, receives=1
                )
            )
            news.write(db, made.id, "order_in", now - HOUR)
    database.close()


def run_until_sent(folder: DataFolder, mail: MailServer, many: int, seconds: float = 60) -> None:
    """A server that is left alone, until every letter is noted as gone."""
    with Server(folder, env=environment(mail)):
        end = time.monotonic() + seconds
        while time.monotonic() < end and gone(folder) < many:
            time.sleep(0.2)
    assert gone(folder) == many


def environment(mail: MailServer) -> dict[str, str]:
    return {"LIKEWRIGHT_SMTP_URL": mail.url, "LIKEWRIGHT_PUBLIC_URL": "https://status.example"}


def gone(folder: DataFolder) -> int:
    database = Database(folder.database_file)
    found = rows(database, "SELECT count(*) FROM letters WHERE sent_at IS NOT NULL")
    database.close()
    return int(str(found[0][0]))


def copies(mail: MailServer) -> dict[str, list[bytes]]:
    """What the mail server has taken over, by Message-ID."""
    found: dict[str, list[bytes]] = defaultdict(list)
    for kept in mail.kept:
        found[str(email.message_from_bytes(kept.data)["Message-ID"])].append(kept.data)
    return found


@pytest.mark.parametrize(
    ("point", "times"), [("after claim", 1), ("after the mail server's yes", 2)]
)
def test_a_process_that_ends_at_a_point_of_sending_loses_no_letter(
    folder: DataFolder, point: str, times: int
) -> None:
    studio_with_news(folder, 3)
    with MailServer() as mail:
        fallen = Server(folder, env=environment(mail) | {"LIKEWRIGHT_FAULT": point})
        fallen.process.wait(40)
        assert fallen.stop() == 86
        run_until_sent(folder, mail, 3)
        found = copies(mail)
    assert len(found) == 3
    assert sorted(len(same) for same in found.values()) == [1, 1, times]
    assert all(len(set(same)) == 1 for same in found.values())


def test_kills_at_random_lose_no_letter_and_repeat_each_at_most_once_a_kill(
    folder: DataFolder,
) -> None:
    many, kills = 40, 6
    studio_with_news(folder, many)
    dice = random.Random(7)
    with MailServer() as mail:
        for _ in range(kills):
            server = Server(folder, env=environment(mail))
            before = len(mail.kept)
            end = time.monotonic() + 10
            while len(mail.kept) < before + 3 and time.monotonic() < end and gone(folder) < many:
                time.sleep(0.01)
            time.sleep(dice.random() * 0.2)
            server.kill()
        run_until_sent(folder, mail, many)
        found = copies(mail)
    repeats = sum(len(same) - 1 for same in found.values())
    assert len(found) == many
    assert repeats <= kills
    assert all(len(set(same)) == 1 for same in found.values())
