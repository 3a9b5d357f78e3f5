"""From news to letters in a real house: once, at the right hour, and not for what did not happen."""

import json
from datetime import time

from sqlalchemy import text

from app.flow.actions import Wish, record
from app.flow.amendments import undo
from app.flow.rules import Kind
from app.letters import by_hand, forming
from app.letters import worker as letters_worker
from tests.letters.studio import (
    MINUTE,
    LetterShop,
    ask_views,
    change_order,
    files,
    kinds,
    letters,
    ordered,
    read,
    text_of,
)
from tests.making import CAST, DAY, HOUR, NOW, Wanted, move, rows, walk


def test_an_order_in_is_told_once_with_its_link_and_how_to_photograph(workshop: LetterShop) -> None:
    order = ordered(workshop)
    assert workshop.post(14 * MINUTE) == 0
    assert workshop.post(1 * MINUTE) == 1
    [file] = files(workshop)
    mail = read(file)
    assert mail["To"] == "Imre Castellan <imre@castellan.example>"
    assert mail["From"] == "Fernlight <desk@fernlight.example>"
    assert mail["Subject"] == f"Juniper: your order {order.number} is in"
    said = text_of(mail)
    assert "https://pages.fernlight.example/" in said
    assert "How to photograph Juniper" in said
    assert "It takes" in said
    assert "weeks from the day we can work from Juniper’s photos" in said
    for _ in range(20):
        workshop.post(HOUR)
    assert len(files(workshop)) == 1


def test_the_link_stands_in_the_mail_and_in_no_byte_of_the_database(workshop: LetterShop) -> None:
    ordered(workshop)
    workshop.post(15 * MINUTE)
    said = text_of(read(files(workshop)[0]))
    token = said.split("pages.fernlight.example/")[1].split("/")[0]
    assert len(token) > 40
    for file in workshop.folder.path.glob("studio.db*"):
        assert token.encode() not in file.read_bytes()


def test_what_happens_on_friday_evening_is_told_on_monday_morning(workshop: LetterShop) -> None:
    calendar = workshop.in_force().calendar
    friday = calendar.day_of(NOW + 2 * DAY)
    workshop.moment = calendar.moment(friday, time(18))
    ordered(workshop)
    workshop.day_by_day(workshop.moment + 2 * DAY + 15 * HOUR)
    assert files(workshop) == []
    workshop.day_by_day(workshop.moment + 3 * HOUR)
    [(formed,)] = rows(workshop.database, "SELECT formed_at FROM letters")
    assert calendar.local(int(str(formed))).strftime("%A %H:%M") == "Monday 10:00"


def test_an_undo_takes_its_news_back(workshop: LetterShop) -> None:
    order = ordered(workshop)
    workshop.post(15 * MINUTE)
    entry = move(
        workshop.database, order.model(), CAST.desk, workshop.moment, "photos_counted", amount=80
    ).act
    workshop.moment += 9 * MINUTE
    undo(workshop.database, entry, CAST.desk, workshop.moment)
    workshop.day_by_day(workshop.moment + DAY)
    assert kinds(workshop) == ["order_in"]
    # Done again it is news after all.
    move(workshop.database, order.model(), CAST.desk, workshop.moment, "photos_counted", amount=81)
    workshop.day_by_day(workshop.moment + DAY)
    assert kinds(workshop) == ["order_in", "photos_counted"]
    assert "your 81 photos" in text_of(read(files(workshop)[-1]))


def test_news_taken_back_between_forming_and_sending_does_not_go(workshop: LetterShop) -> None:
    ordered(workshop)
    workshop.moment += 15 * MINUTE
    assert letters_worker.form_round(workshop) == 1
    with workshop.database.writing() as db:
        db.execute(text("UPDATE news SET taken_back_at = :now"), {"now": workshop.moment})
    assert letters_worker.send_round(workshop).sent == 0
    assert [row[1] for row in letters(workshop)] == ["dropped"]


def test_an_order_that_was_imported_hears_nothing(workshop: LetterShop) -> None:
    ordered(workshop, imported=True)
    workshop.day_by_day(workshop.moment + 20 * DAY)
    assert letters(workshop) == []


def test_more_views_are_asked_for_by_number_and_free_of_charge(workshop: LetterShop) -> None:
    order = ordered(workshop)
    workshop.post(15 * MINUTE)
    walk(
        workshop.database,
        order.model(),
        CAST.desk,
        workshop.moment,
        "photos_counted",
        "build_started",
        "build_failed",
    )
    workshop.moment += HOUR
    move(
        workshop.database,
        order.model(),
        CAST.painter,
        workshop.moment,
        "more_views",
        reason="views",
    )
    ask_views(workshop, order, 1, "Her left side, level with her back", "The blaze, close")
    workshop.post(15 * MINUTE)
    mail = read(files(workshop)[-1])
    assert mail["Subject"] == "More views of Juniper"
    part = mail.get_body(("plain",))
    assert part is not None
    words = part.get_content()
    assert "\n1. Her left side, level with her back" in words.replace("\r\n", "\n")
    assert "\n2. The blaze, close" in words.replace("\r\n", "\n")
    assert "anything extra" in text_of(mail)


def test_a_gift_says_nothing_outside_and_a_remembered_animal_is_not_hurried(
    workshop: LetterShop,
) -> None:
    ordered(workshop, [Wanted("Otis")], gift=1)
    ordered(workshop, [Wanted("Fern", life="remembered")], mail="b@castellan.example")
    workshop.post(15 * MINUTE)
    gift, remembered = map(read, files(workshop))
    assert gift["From"] == "Order desk <desk@fernlight.example>"
    assert "Otis" not in gift["Subject"]
    assert "gift" not in gift["Subject"]
    assert "There’s no hurry." in text_of(remembered)
    assert "new set" not in text_of(remembered)


def test_reminders_go_at_ten_after_3_7_and_14_days_and_can_be_stopped(workshop: LetterShop) -> None:
    ordered(workshop)
    workshop.day_by_day(workshop.moment + 8 * DAY)
    assert kinds(workshop) == ["order_in", "photo_reminder", "photo_reminder"]
    calendar = workshop.in_force().calendar
    formed = [int(str(row[0])) for row in rows(workshop.database, "SELECT formed_at FROM letters")]
    assert [calendar.local(m).strftime("%d %H:%M") for m in formed[1:]] == ["09 10:00", "11 10:00"]
    workshop.day_by_day(workshop.moment + 5 * DAY)
    # The third is noted the day before, and somebody stops it.
    [(waits, held)] = rows(workshop.database, "SELECT id, held_at FROM news WHERE told_at IS NULL")
    assert held is None
    by_hand.stop_news(workshop.database, int(str(waits)), CAST.desk, workshop.moment)
    workshop.day_by_day(workshop.moment + 30 * DAY)
    assert len(files(workshop)) == 3


def test_of_a_remembered_animal_no_reminder_goes_without_a_person(workshop: LetterShop) -> None:
    order = ordered(workshop, [Wanted("Fern", life="remembered")])
    workshop.day_by_day(workshop.moment + 12 * DAY)
    assert kinds(workshop) == ["order_in"]
    held = rows(workshop.database, "SELECT held_why FROM news WHERE kind = 'photo_reminder'")
    assert held == [(forming.READ_FIRST,)] * 2
    by_hand.let_news_go(workshop.database, order.id, CAST.desk, workshop.moment)
    workshop.day_by_day(workshop.moment + DAY)
    assert kinds(workshop) == ["order_in", "photo_reminder"]
    assert "There’s no hurry" in text_of(read(files(workshop)[-1]))


def test_a_reminder_of_one_animal_asks_nothing_of_a_remembered_one(workshop: LetterShop) -> None:
    ordered(workshop, [Wanted("Otis"), Wanted("Sorrel", life="remembered")])
    workshop.day_by_day(workshop.moment + 6 * DAY)
    assert kinds(workshop) == ["order_in", "photo_reminder"]
    said = text_of(read(files(workshop)[-1]))
    assert "How to photograph Otis" in said
    assert "Sorrel" not in said


def test_photos_that_were_told_of_are_not_reminded_of(workshop: LetterShop) -> None:
    order = ordered(workshop)
    workshop.day_by_day(workshop.moment + DAY)
    record(workshop.database, [Wish(order.model(), Kind.TOLD)], CAST.desk, workshop.moment)
    workshop.day_by_day(workshop.moment + 20 * DAY)
    assert kinds(workshop) == ["order_in"]


def test_a_last_call_goes_two_working_days_before_and_once(workshop: LetterShop) -> None:
    order = ordered(workshop)
    workshop.post(15 * MINUTE)
    walk(
        workshop.database,
        order.model(),
        CAST.desk,
        workshop.moment,
        "photos_counted",
        "build_started",
        "build_finished",
        "good",
    )
    workshop.day_by_day(workshop.moment + DAY)
    last_day = workshop.in_force().calendar.add_working_days(
        workshop.in_force().calendar.day_of(workshop.moment), 5
    )
    change_order(workshop, order, copy_deadline=last_day.isoformat())
    workshop.day_by_day(workshop.moment + 12 * DAY)
    assert kinds(workshop) == ["order_in", "photos_passed", "last_call"]
    formed = rows(workshop.database, "SELECT formed_at FROM letters WHERE kind = 'last_call'")
    day = workshop.in_force().calendar.day_of(int(str(formed[0][0])))
    assert workshop.in_force().calendar.working_days_between(day, last_day) == 2


def test_one_order_that_cannot_be_worded_holds_up_no_other(
    workshop: LetterShop, monkeypatch
) -> None:  # type: ignore[no-untyped-def]
    bad, good = ordered(workshop), ordered(workshop, mail="b@castellan.example")
    whole = forming.facts_of_many

    def breaks(db, ids, studio, now):  # type: ignore[no-untyped-def]
        if bad.id in ids:
            raise ValueError("cannot be worded")
        return whole(db, ids, studio, now)

    with monkeypatch.context() as patch:
        patch.setattr(forming, "facts_of_many", breaks)
        assert workshop.post(15 * MINUTE) == 1
    assert [row[1:3] for row in letters(workshop)] == [("dead", "order_in"), ("sent", "order_in")]
    dead = int(str(letters(workshop)[0][0]))
    by_hand.send_again(workshop.database, workshop.in_force(), dead, CAST.desk, workshop.moment)
    assert workshop.post(1) == 1
    assert good.id != bad.id


def test_no_mail_address_is_kept_in_the_words_of_a_letter(workshop: LetterShop) -> None:
    ordered(workshop, [Wanted("Juniper", 2), Wanted("Otis", 1, sex="male")])
    workshop.post(15 * MINUTE)
    [(kept,)] = rows(workshop.database, "SELECT facts FROM letters")
    assert "castellan.example" not in json.dumps(json.loads(str(kept)))
