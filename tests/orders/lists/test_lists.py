"""Pages that list: orders, what waits for customers, customers, animals."""

import re

import httpx
import pytest
from sqlalchemy import insert, update

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import Step
from app.orders.order.asking import QuestionFields, ask
from app.tables import customers, letters, news, tellings
from tests.making import CAST, DAY, NOW, Wanted, make_order, move, rows, step_of
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words


def test_orders_are_listed_open_and_at_their_end(desk: Browser, workshop: ClockedWorkshop) -> None:
    assert "No orders yet" in words(desk.get("/orders"))
    make_order(
        workshop.database, CAST.desk, NOW, [Wanted("Juniper", copies=2), Wanted("Otis")], gift=1
    )
    gone = make_order(
        workshop.database,
        CAST.desk,
        NOW - DAY,
        [Wanted("Fern", step=Step.READY, copy_step=Step.PACKING)],
    )
    move(workshop.database, gone.copy(), CAST.desk, NOW, "handed_over")
    move(workshop.database, gone.copy(), CAST.desk, NOW + 9, "received")
    open_, closed = words(desk.get("/orders")), words(desk.get("/orders?closed=1"))
    assert "1001 Imre Castellan Juniper, Otis 3" in open_
    assert "gift" in open_
    assert "1002" not in open_
    assert "1002" in closed
    assert "1001" not in closed


def test_a_long_list_comes_a_page_at_a_time(desk: Browser, workshop: ClockedWorkshop) -> None:
    for _ in range(52):
        make_order(workshop.database, CAST.desk, NOW)
    first, second = desk.get("/orders"), desk.get("/orders?page=1")
    assert first.text.count('href="/orders/10') == 50
    assert second.text.count('href="/orders/10') == 2
    assert "Next" in words(first)
    assert "Previous" in words(second)
    assert "1052" in words(second)
    assert desk.get("/orders?page=9999999").status_code == 200


def test_what_waits_for_customers_says_since_when_and_whose_turn_it_is(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    then = NOW - 5 * DAY
    theirs = make_order(workshop.database, CAST.desk, then, [Wanted("Juniper", life="remembered")])
    ours = make_order(workshop.database, CAST.desk, then, [Wanted("Otis")], customer="Sela Brook")
    record(workshop.database, [Wish(ours.model(), Kind.TOLD)], CAST.desk, NOW - DAY)
    parked = make_order(workshop.database, CAST.desk, then, [Wanted("Fern")])
    wish = Wish(parked.model(), Kind.HOLD, reason="at sea", whose="customer", look_on="2026-04-01")
    record(workshop.database, [wish], CAST.desk, NOW)
    workshop.moment = then + 100
    ask(
        workshop,
        theirs.id,
        QuestionFields(topic="Ears", asked="Which?", waits="here"),
        CAST.desk,
        "",
    )
    workshop.moment = NOW
    said = words(desk.get("/waiting"))
    assert "Three animals wait for photos, one question is open, one piece is on hold" in said
    assert "Our turn: announced yesterday, 10:00, not counted in yet." in said
    assert "Their turn. The animal has died, so no reminders go out automatically." in said
    assert "On hold until Wed 1 Apr: at sea." in said
    assert "Ears. Which? work is waiting; four days" in said
    assert theirs.number == 1001


def test_two_weeks_without_news_put_an_order_on_the_list(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    old = make_order(workshop.database, CAST.desk, NOW - 20 * DAY)
    heard = make_order(workshop.database, CAST.desk, NOW - 20 * DAY, customer="Sela Brook")
    with workshop.database.writing() as db:
        db.execute(insert(news).values(order_id=heard.id, kind="making_begun", at=NOW - DAY))
    said = words(desk.get("/waiting"))
    assert "One customer has heard nothing for two weeks: Imre Castellan" in said
    assert f"Imre Castellan, order {old.number}" in said
    assert f"Sela Brook, order {heard.number}" not in said.partition("Heard nothing")[2]


def test_customers_are_found_by_the_beginning_of_any_of_their_names(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    for name in ("Imre Castellan", "Zoë Ängström-Vale", "100% Paws_Club"):
        make_order(workshop.database, CAST.desk, NOW, customer=name)

    def found(typed: str) -> int:
        page = desk.send("GET", "/customers", params={"q": typed})
        return page.text.count('href="/customers/')

    assert [found(typed) for typed in ("", "imre", "cast", "100%", "zo")] == [3, 1, 1, 1, 1]
    assert [found(typed) for typed in ("%", "_", "astellan", "nobody", "\\", "x" * 500)] == [0] * 6


def test_a_customer_and_an_animal_have_a_page_each(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper", copies=2, kind="mare")])
    desk.post(f"/orders/{made.number}/contact", {"told": "by May", "channel": "shop"})
    customer = words(desk.get(f"/customers/{made.customer_id}"))
    assert "Imre Castellan" in customer
    assert "Order 1001: Juniper, two copies" in customer
    assert "Said: by May through the shop, Dara Quill" in customer
    animal = words(desk.get(f"/animals/{made.animal_ids['A']}"))
    assert "Mare, living" in animal
    assert "1001-A2" in animal
    assert "None noted yet." in animal
    for page in ("/customers/77", "/animals/77", "/customers/77/edit", "/animals/77/edit"):
        assert desk.get(page).status_code == 404


def group(page: httpx.Response, heading: str, after: str) -> str:
    """What stands under one heading of the work list."""
    return words(page).partition(heading)[2].partition(after)[0]


READ, DECIDE = "Read their answer and count their photos", "Decide: reminded, and no answer"
RING, WAIT, END = "Phone them", "Wait: nothing to do", "Photos usually take"


def reminded(workshop: ClockedWorkshop, order_id: int, *rounds: int) -> None:
    """As after a letter that asked for photos and some reminders, the newest a day ago."""
    with workshop.database.writing() as db:
        for n, (kind, round_) in enumerate(
            [("order_in", 0), *(("photo_reminder", r) for r in rounds)]
        ):
            at = NOW - (1 + len(rounds) - n) * DAY
            letter = db.execute(
                insert(letters).values(
                    order_id=order_id, kind=kind, state="sent", formed_at=at, sent_at=at,
                    message_id=f"{order_id}-{n}@tests.example", tag="", next_at=at,
                )
            ).inserted_primary_key[0]  # fmt: skip
            db.execute(
                insert(news).values(
                    order_id=order_id, kind=kind, letter="" if kind == "order_in" else "A",
                    round=round_, at=at, told_at=at, letter_id=letter,
                )
            )  # fmt: skip


def test_each_row_of_the_work_list_stands_where_it_is_worked_on(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    names = ("Imre Castellan", "Sela Brook", "Noor Vance", "Tomas Reedy")
    told, spent, old, fresh = (
        make_order(workshop.database, CAST.desk, NOW - days * DAY, [Wanted("Fern")], customer=name)
        for name, days in zip(names, (5, 5, 40, 5), strict=True)
    )
    record(workshop.database, [Wish(told.model(), Kind.TOLD)], CAST.desk, NOW - DAY)
    reminded(workshop, spent.id, 1, 2, 3)
    reminded(workshop, fresh.id, 1, 2)
    page = desk.get("/waiting")
    assert f"{told.number}-A" in group(page, READ, DECIDE)
    assert f"{spent.number}-A" in group(page, DECIDE, RING)
    assert "Reminded three times" in group(page, DECIDE, RING)
    assert f"{old.number}-A" in group(page, RING, WAIT)
    waits = group(page, WAIT, END)
    assert f"{fresh.number}-A" in waits
    assert "Reminded twice" in waits
    # Asked for on Sunday 1 March: two weeks on is a Sunday, so Monday; the third has yet to go.
    assert "next Mon 16 Mar, 10:00" in waits


def test_a_reminder_is_stopped_from_the_work_list_and_a_call_is_noted_there(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW - 20 * DAY, [Wanted("Fern")])
    with workshop.database.writing() as db:
        db.execute(update(customers).values(phone="0000 555 0144", phone_digits="00005550144"))
    reminded(workshop, made.id, 1)
    with workshop.database.writing() as db:
        db.execute(
            insert(news).values(
                order_id=made.id, kind="photo_reminder", letter="A", round=2, at=NOW + DAY
            )
        )
    page = desk.get("/waiting")
    assert 'href="tel:00005550144"' in page.text
    assert "Reminded once" in words(page)
    assert "Stop the reminder" in words(page)
    number = rows(workshop.database, "SELECT max(id) FROM news")[0][0]
    stopped = desk.post(f"/letters/news/{number}/stop", {"back": "/waiting"})
    assert stopped.headers["location"].startswith("/waiting")
    assert "Stop the reminder" not in words(desk.get("/waiting"))
    workshop.moment = NOW + 20 * DAY
    desk.as_(workshop, CAST.desk)
    assert "Heard nothing for two weeks" in words(desk.get("/waiting"))
    called = {"channel": "phone", "told": "They send them on Sunday.", "back": "/waiting"}
    assert (
        desk.post(f"/orders/{made.number}/contact", called)
        .headers["location"]
        .startswith("/waiting")
    )
    said = words(desk.get("/waiting"))
    assert "Heard nothing" not in said.partition("Phone them")[2]
    assert "last contact today, 10:00, by phone" in said


def test_orders_say_where_they_are_and_are_sorted_and_sifted_by_their_address(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    pieces = [Wanted("Juniper"), Wanted("Otis", step=Step.READY, copy_step=Step.PAINTING)]
    late, paid, gift = (
        make_order(workshop.database, CAST.desk, NOW - 9 * DAY, pieces, customer=name, **fields)
        for name, fields in (
            ("Sela Brook", {"needed_by": "2026-03-20"}),
            ("Imre Castellan", {"paid": "all", "needed_by": "2026-03-12"}),
            ("Noor Vance", {"gift": 1}),
        )
    )
    with workshop.database.writing() as db:
        for made, day in ((late, "2026-03-03"), (paid, "2026-03-19")):
            db.execute(
                insert(tellings).values(
                    order_id=made.id,
                    at=NOW - DAY,
                    channel="page",
                    from_day="2026-03-02",
                    to_day=day,
                )
            )
    workshop.set_forecast({}, {late.id: 0.31})

    def shown(address: str) -> list[int]:
        found = re.findall(r'<a href="/orders/(\d+)"', desk.get(address).text)
        return [int(number) for number in found]

    said = words(desk.get("/orders"))
    assert (
        "Photos wanted to Painting Mon 2 Mar to Tue 3 Mar ▲ late Fri 20 Mar about 3 in 10" in said
    )
    assert shown("/orders") == [late.number, paid.number, gift.number]
    assert shown("/orders?show=late") == [late.number]
    assert shown("/orders?show=unpaid") == [late.number, gift.number]
    assert shown("/orders?show=gift") == [gift.number]
    assert shown("/orders?sort=needed") == [paid.number, late.number, gift.number]
    assert shown("/orders?sort=name") == [paid.number, gift.number, late.number]
    assert shown("/orders?sort=ready&show=needed") == [late.number, paid.number]
    assert shown("/orders?sort=nothing&show=;drop") == [late.number, paid.number, gift.number]
    page = desk.get("/orders?sort=needed&show=unpaid").text
    assert '<option value="needed" selected>' in page
    assert 'href="/orders?sort=name&amp;show=unpaid"' in page
    assert "2026-" not in words(desk.get("/orders"))


@pytest.mark.parametrize("what", ["copy:1", "order"])
def test_one_copy_is_cancelled_at_any_step_and_of_a_cancelled_order_nothing_waits_to_be_told(
    desk: Browser, workshop: ClockedWorkshop, what: str
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted("Fern", copies=2)])
    with workshop.database.writing() as db:
        db.execute(insert(news).values(order_id=made.id, kind="order_in", at=NOW))
    assert f'<option value="{made.copy()}"' in desk.get(f"/orders/{made.number}").text
    form = {"about": what.replace("1", str(made.copy().id)), "whose": "customer", "reason": "moved"}
    assert desk.post(f"/orders/{made.number}/cancel", form).status_code == 303
    one = what != "order"
    assert [str(step_of(workshop.database, made.copy(code))) for code in ("A1", "A2")] == (
        ["cancelled", "not_begun"] if one else ["cancelled", "cancelled"]
    )
    assert ("Send now" in words(desk.get("/letters"))) is one
    assert ("order in" in words(desk.get(f"/orders/{made.number}"))) is one
