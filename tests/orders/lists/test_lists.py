"""Pages that list: orders, what waits for customers, customers, animals."""

from sqlalchemy import insert

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import Step
from app.orders.order.actions import QuestionFields, ask
from app.tables import news
from tests.making import CAST, DAY, NOW, Wanted, make_order, move
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words


def test_orders_are_listed_open_and_at_their_end(desk: Browser, workshop: ClockedWorkshop) -> None:
    assert "None yet" in words(desk.get("/orders"))
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
    assert "After" in words(first)
    assert "Before" in words(second)
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
        QuestionFields(topic="Ears", asked="Which?", blocking=True),
        CAST.desk,
        "",
    )
    workshop.moment = NOW
    said = words(desk.get("/waiting"))
    assert "Three animals wait for photos, one question is open, one piece is on hold" in said
    assert "Our turn: told of yesterday, 10:00, not counted yet." in said
    assert "Their turn. Remembered: no reminder goes by itself." in said
    assert "Parked until 1 April: at sea." in said
    assert "Ears. Which? the work waits; four days" in said
    assert "look again on 1 April" in said
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
    assert "Told: by May shop, Dara Quill" in customer
    animal = words(desk.get(f"/animals/{made.animal_ids['A']}"))
    assert "Mare, living" in animal
    assert "1001-A2" in animal
    assert "None noted." in animal
    for page in ("/customers/77", "/animals/77", "/customers/77/edit", "/animals/77/edit"):
        assert desk.get(page).status_code == 404
