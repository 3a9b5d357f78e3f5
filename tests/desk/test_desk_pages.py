"""The find box and the Answers page, through the whole staff site."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import insert, select

from app.main import staff_site
from app.shared.places import DataFolder
from app.tables import animals, contacts, customer_mails, customers, orders
from tests.making import CAST, NOW, Wanted, make_order, rows, walk
from tests.orders.facts.test_to_tell import running_late
from tests.staff.browser import Browser, ClockedWorkshop


@pytest.fixture
def workshop(studio_file: Path) -> Iterator[ClockedWorkshop]:
    folder = DataFolder(studio_file.parent)
    folder.prepare()
    workshop = ClockedWorkshop(folder)
    yield workshop
    workshop.close()


@pytest.fixture
def desk(workshop: ClockedWorkshop) -> Browser:
    return Browser(staff_site(workshop)).as_(workshop, CAST.desk)


def test_one_hit_leads_straight_to_its_answers(workshop: ClockedWorkshop, desk: Browser) -> None:
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper", copies=2)])
    answer = desk.get("/find?q=junip")
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/orders/{made.number}/answers"


def test_what_was_just_typed_is_found_at_once(workshop: ClockedWorkshop, desk: Browser) -> None:
    assert "No orders found" in desk.get("/find?q=otis").text
    make_order(workshop.database, CAST.desk, NOW, [Wanted("Otis")])
    assert desk.get("/find?q=otis").status_code == 303


def test_the_answers_speak_of_the_animal_and_promise_no_single_day(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper")])
    walk(workshop.database, made.model("A"), CAST.desk, NOW, "photos_counted")
    text = desk.get(f"/orders/{made.number}/answers").text
    assert "Juniper’s photos are here" in text
    assert "We’ll know for Juniper once a machine has built a model" in text
    assert "we can still change the pose, size, base and inscription" in text


def test_one_tap_notes_what_was_asked_and_told(workshop: ClockedWorkshop, desk: Browser) -> None:
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper")])
    note = {"question": "Will they do?", "told": "We know when it is built.", "channel": "phone"}
    assert desk.post(f"/orders/{made.number}/answers", note).status_code == 303
    with workshop.database.reading() as db:
        row = db.execute(select(contacts)).one()
    assert (row.asked, row.told, row.channel) == (note["question"], note["told"], "phone")
    page = desk.get(f"/orders/{made.number}/answers").text
    assert "Will they do?" in page
    assert "One question, one open order" in page


def test_an_answer_noted_twice_by_a_wet_finger_is_noted_once_and_marks_the_page(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper")])
    wanted = "SELECT coalesce(sum(wanted), 0) FROM status_pages"
    [(before,)] = rows(workshop.database, wanted)
    note = {"question": "How long?", "told": "Some weeks.", "channel": "phone"}
    where = f"/orders/{made.number}/answers"
    assert [desk.post(where, note).status_code for _ in range(2)] == [303, 409]
    assert rows(workshop.database, "SELECT count(*) FROM contacts") == [(1,)]
    assert rows(workshop.database, wanted) == [(int(str(before)) + 1,)]


def test_two_records_of_one_person_become_one_and_both_names_are_found(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    first = make_order(
        workshop.database, CAST.desk, NOW, [Wanted("Juniper")], customer="Maren Oduya"
    )
    second = make_order(
        workshop.database, CAST.desk, NOW, [Wanted("Otis")], customer="M. Oduya-Hale"
    )
    with workshop.database.writing() as db:
        ids = [
            db.execute(select(orders.c.customer_id).where(orders.c.id == made.id)).scalar_one()
            for made in (first, second)
        ]
        for id_ in ids:
            db.execute(
                insert(customer_mails).values(
                    customer_id=id_, mail="m@oduya.example", mail_key="m@oduya.example", receives=1
                )
            )
    assert desk.post(f"/customers/{ids[0]}/join", {"other": str(ids[1])}).status_code == 303
    with workshop.database.reading() as db:
        kept = db.execute(select(customers).where(customers.c.id == ids[0])).one()
        mails = db.execute(
            select(customer_mails).where(customer_mails.c.customer_id == ids[0])
        ).all()
        owners = set(db.execute(select(animals.c.customer_id)).scalars())
        whose = set(db.execute(select(orders.c.customer_id)).scalars())
    assert kept.also_known_as == "M. Oduya-Hale"
    assert [mail.receives for mail in mails] == [1]
    assert owners == whose == {ids[0]}
    assert "/answers" in desk.get("/find?q=otis+maren").headers["location"]
    assert "/answers" in desk.get("/find?q=oduya-hale+otis").headers["location"]
    assert desk.post(f"/customers/{ids[0]}/join", {"other": str(ids[1])}).status_code == 404


def test_a_strange_word_breaks_nothing(desk: Browser) -> None:
    for word in ("%25", "_", "*", '"', "a" * 5000, "%00", "\\", "NEAR(", "-", "%F0%9F%90%8E"):
        assert desk.get(f"/find?q={word}").status_code in (200, 303)


def test_an_answer_does_not_tell_anew_a_range_that_runs_over(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    late = running_late(workshop, since=-1, end=8)
    page = desk.get("/waiting").text
    assert f"order {late.number}" in page.partition("Tell them")[2]
    where = f"/orders/{late.number}/answers"
    note = {"question": "How long?", "told": "As long as the page says.", "channel": "phone"}
    assert desk.post(where, note).status_code == 303
    told = "SELECT count(*) FROM tellings WHERE order_id = ?"
    assert rows(workshop.database, told, late.id) == [(1,)], "the range is not told anew"
    page = desk.get("/waiting").text
    assert f"order {late.number}" in page.partition("Tell them")[2], "and its two days go on"


def test_an_answer_keeps_the_range_that_holds(workshop: ClockedWorkshop, desk: Browser) -> None:
    fine = running_late(workshop, since=None, end=40)
    note = {"question": "How long?", "told": "As long as the page says.", "channel": "phone"}
    assert desk.post(f"/orders/{fine.number}/answers", note).status_code == 303
    told = "SELECT channel FROM tellings WHERE order_id = ? ORDER BY id"
    assert rows(workshop.database, told, fine.id) == [("page",), ("phone",)]
