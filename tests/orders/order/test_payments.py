"""Money at the door: what has to be paid before work starts, who waits, and what ends the wait."""

import json

import pytest
from sqlalchemy import delete, insert, update

from app.flow.gates import Gate
from app.flow.money import Paid
from app.flow.stays import stays
from app.flow.steps import Of, Step, TimeClass
from app.flow.store import Ref, log_of
from app.orders.facts.gather import facts_of
from app.status.wording import document
from app.tables import orders, settings
from app.upkeep.audit import audit
from tests.making import CAST, DAY, HOUR, NOW, Wanted, make_order, piece, rows, step_of
from tests.moving.test_gates import press
from tests.orders.entry.test_entry import TYPED, number_in
from tests.staff.browser import Browser, ClockedWorkshop
from tests.status.rows import TELLER
from tests.whole_site import address, at_field, copies_of, model_of, the_form, words

QUESTION = "SELECT until_paid, answered_at, overridden, dropped FROM questions"


def starts_when(workshop: ClockedWorkshop, needed: str) -> None:
    with workshop.database.writing() as db:
        db.execute(delete(settings).where(settings.c.name == "starts_when"))
        row = {"name": "starts_when", "value": json.dumps(needed), "changed_at": NOW}
        db.execute(insert(settings).values(**row))
    workshop.forget()


def taken(desk: Browser, workshop: ClockedWorkshop, paid: str = "none", **more: str) -> int:
    typed = TYPED | {"then": "open", "paid": paid, "once": f"o{workshop.moment}"} | more
    return number_in(desk.post("/orders/new", typed))


def pay(desk: Browser, number: int, paid: str) -> None:
    form = the_form(desk.get(f"/orders/{number}/edit").text, f"/orders/{number}/edit")
    assert desk.post(form.action, form.fields | {"paid": paid}).status_code == 303


def photos_in(desk: Browser, workshop: ClockedWorkshop, number: int) -> Ref:
    model = model_of(number, "A", workshop)
    workshop.moment += HOUR
    assert press(desk, workshop, model, "photos_counted", amount="20").status_code == 303
    return model


def clean(workshop: ClockedWorkshop) -> bool:
    return audit(workshop.folder, workshop.moment).differences == []


@pytest.mark.parametrize("needed", list(Paid))
@pytest.mark.parametrize("paid", list(Paid))
def test_work_starts_when_enough_is_paid_and_photos_come_before(
    desk: Browser, workshop: ClockedWorkshop, paid: Paid, needed: Paid
) -> None:
    starts_when(workshop, needed)
    number = taken(desk, workshop, paid)
    model = photos_in(desk, workshop, number)
    enough = {"none": 0, "part": 1, "all": 2}
    starts = enough[paid] >= enough[needed]
    answer = press(desk, workshop, model, "build_started")
    assert answer.status_code == (303 if starts else 409)
    assert (step_of(workshop.database, model) is Step.BUILDING) == starts
    called = "paid the deposit" if needed is Paid.PART else "paid in full"
    said = f"Maren Oduya hasn’t {called} for order {number} yet; the work waits for that."
    assert (said in words(answer)) != starts
    assert press(desk, workshop, model, "no_build").status_code == 409
    assert clean(workshop)


def test_a_copy_of_a_model_that_is_ready_waits_at_its_first_bench(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(
        workshop.database, CAST.desk, NOW - 60 * DAY, [Wanted(step=Step.READY)],
        customer="Maren Oduya",
    )  # fmt: skip
    starts_when(workshop, "all")
    ready = {"customer_id": str(made.customer_id), "a0_animal_id": str(made.animal_ids["A"])}
    number = taken(desk, workshop, "part", **ready, a0_ready_model="1", mail="")
    [copy] = copies_of(number, workshop)
    assert piece(workshop.database, copy).state.gates == (Gate(1, Step.PHOTOS_IN),)
    assert step_of(workshop.database, copy) is Step.BLANK
    assert press(desk, workshop, copy, "blank_done").status_code == 409
    assert "Work on Juniper goes ahead as soon as the payment is in." in page_of(workshop, number)
    assert "waiting for the payment" in words(desk.get("/"))
    pay(desk, number, "all")
    assert press(desk, workshop, copy, "blank_done").status_code == 303


def page_of(workshop: ClockedWorkshop, number: int) -> str:
    """What the customer's page says."""
    [(order_id,)] = rows(workshop.database, "SELECT id FROM orders WHERE number = ?", number)
    with workshop.database.reading() as db:
        facts = facts_of(db, int(str(order_id)), workshop.in_force(), workshop.moment)
    page = document(facts, TELLER, workshop.moment)
    said = [line for part in page.sections for block in part.blocks for line in block.lines]
    return " ".join([page.todo.answer, page.todo.more, *page.todo.tasks, *said])


def test_every_page_says_what_it_waits_for_and_none_how_much(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    starts_when(workshop, "part")
    number = taken(desk, workshop)
    model = photos_in(desk, workshop, number)
    assert "waiting for the deposit" in words(desk.get("/"))
    order = words(desk.get(f"/orders/{number}"))
    assert "Waits for the deposit. Photos may come; no work starts before it is paid." in order
    assert "Waiting for the deposit" in order
    assert "hasn’t paid the deposit" in words(desk.get(address(model)))
    waiting = words(desk.get("/waiting"))
    assert waiting.count("waits for the deposit") == 1
    assert "Note the payment" in waiting
    said = page_of(workshop, number)
    assert "We need the deposit for your order. We’ll start as soon as it’s in." in said
    assert "That starts as soon as the deposit is in." in said
    ready = words(desk.get(f"/orders/{number}/answers"))
    assert "To ask for the deposit" in ready
    assert "We need the deposit for your order. We’ll start as soon as it’s in." in ready
    news = rows(workshop.database, "SELECT DISTINCT kind FROM news")
    assert news == [("order_in",), ("photos_counted",)], "no letter asks for money by itself"
    pay(desk, number, "part")
    for page in ("/", f"/orders/{number}", "/waiting", f"/orders/{number}/answers"):
        assert "the deposit" not in words(desk.get(page)).replace("Payment: the deposit", "")
    assert "deposit" not in page_of(workshop, number)


def test_the_time_is_the_customers_until_the_payment_is_noted(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    starts_when(workshop, "part")
    number = taken(desk, workshop)
    model = photos_in(desk, workshop, number)
    workshop.moment += 5 * HOUR
    pay(desk, number, "part")
    workshop.moment += 2 * HOUR
    with workshop.database.reading() as db:
        log = log_of(db, model)
    here = stays(Of.MODEL, log, workshop.in_force().calendar, workshop.moment)[-1]
    assert here.step is Step.PHOTOS_IN
    assert here.classes == {TimeClass.CUSTOMER: 5 * HOUR, TimeClass.QUEUE: 2 * HOUR}
    assert clean(workshop)


def test_a_payment_that_is_taken_back_stops_the_work_again(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    starts_when(workshop, "part")
    number = taken(desk, workshop, "part")
    assert rows(workshop.database, QUESTION) == []
    number = taken(desk, workshop, "none", someone_else="1", once="second")
    model = photos_in(desk, workshop, number)
    for paid, status in (("part", 303), ("none", 409), ("all", 303)):
        pay(desk, number, paid)
        assert press(desk, workshop, model, "more_views", views="From behind").status_code == 303
        assert press(desk, workshop, model, "photos_counted", amount="2").status_code == 303
        assert press(desk, workshop, model, "no_build").status_code == status, paid
        if status == 303:
            assert press(desk, workshop, model, "build_again").status_code == 303
        workshop.moment += HOUR
    assert clean(workshop)


def test_an_order_under_way_is_not_held_at_the_door(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    starts_when(workshop, "all")
    under_way = {"under_way": "1", "a0_step": "photos_in", "a0_since": "2026-03-02",
                 "a0c0_step": "not_begun", "a0c0_since": "2026-03-02"}  # fmt: skip
    number = taken(desk, workshop, **under_way)
    assert rows(workshop.database, QUESTION) == []
    model = model_of(number, "A", workshop)
    assert press(desk, workshop, model, "build_started").status_code == 303


def test_a_changed_setting_holds_for_the_orders_that_come_then(
    desk: Browser, owner: Browser, workshop: ClockedWorkshop
) -> None:
    before = taken(desk, workshop)
    starts_when(workshop, "all")
    page = owner.get("/settings").text
    assert "For orders from now on; those already in keep what held when they came." in page
    after = taken(desk, workshop, someone_else="1", once="second")
    starts_when(workshop, "none")
    for number, status in ((before, 303), (after, 409)):
        model = photos_in(desk, workshop, number)
        assert press(desk, workshop, model, "build_started").status_code == status


def test_the_owner_may_start_without_it_and_the_customer_is_asked_no_more(
    desk: Browser, owner: Browser, workshop: ClockedWorkshop
) -> None:
    starts_when(workshop, "part")
    number = taken(desk, workshop)
    model = photos_in(desk, workshop, number)
    where = f"/orders/{number}/override/1"
    assert desk.as_(workshop, CAST.desk).post(where, {"reason": "a friend"}).status_code == 403
    desk.as_(workshop, CAST.owner)
    form = the_form(desk.get(f"/orders/{number}").text, where)
    empty = desk.post(where, {**form.fields, "reason": " "})
    assert empty.status_code == 422
    assert "has to be filled in" in at_field(empty, "reason")
    assert desk.post(where, {**form.fields, "reason": "pays at the fair"}).status_code == 303
    assert press(desk, workshop, model, "build_started").status_code == 303
    page = words(desk.get(f"/orders/{number}"))
    assert "The work goes on without it." in page
    assert "pays at the fair" in page
    assert "deposit" not in page_of(workshop, number)
    workshop.moment += HOUR
    pay(desk, number, "part")
    pay(desk, number, "none")
    assert not piece(workshop.database, model).state.gates, "begun is begun"
    assert clean(workshop)


def test_only_a_payment_answers_it(desk: Browser, workshop: ClockedWorkshop) -> None:
    starts_when(workshop, "part")
    number = taken(desk, workshop)
    where = f"/orders/{number}/answer/1"
    assert where not in desk.get(f"/orders/{number}").text
    answer = desk.post(where, {"answer": "They will pay"})
    assert answer.status_code == 409
    assert "Note the payment on the order" in words(answer)
    assert piece(workshop.database, model_of(number, "A", workshop)).state.gates


def test_a_copy_that_is_not_paid_for_stops_what_has_to_be_paid_in_full(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    starts_when(workshop, "all")
    number = taken(desk, workshop, "none")
    pay(desk, number, "all")
    model = photos_in(desk, workshop, number)
    page = desk.get(f"/orders/{number}").text
    assert "While this copy is not, the work waits." in page
    [(line,)] = rows(workshop.database, "SELECT id FROM order_animals")
    form = the_form(page, f"/orders/{number}/copies/{line}")
    assert desk.post(form.action, form.fields | {"paid": "part"}).status_code == 303
    for ref in (model, *copies_of(number, workshop)):
        assert piece(workshop.database, ref).state.gates == (Gate(1, Step.PHOTOS_IN),)
    pay(desk, number, "all")
    for ref in (model, *copies_of(number, workshop)):
        assert piece(workshop.database, ref).state.gates == ()
    assert clean(workshop)


def test_a_cancellation_undone_waits_for_what_is_still_not_paid(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    starts_when(workshop, "part")
    number = taken(desk, workshop)
    model = photos_in(desk, workshop, number)
    form = the_form(desk.get(f"/orders/{number}").text, f"/orders/{number}/cancel")
    for paid, stopped in ((None, True), ("part", False)):
        typed = {"reason": "sold", "whose": "customer", "about": "order", "once": f"c{paid}"}
        assert desk.post(form.action, {**form.fields, **typed}).status_code == 303
        [(entry,)] = rows(
            workshop.database, "SELECT max(act) FROM transitions WHERE move = 'cancel'"
        )
        if paid:
            with workshop.database.writing() as db:
                db.execute(update(orders).values(paid=paid))
        assert desk.post("/undo", {"entry": str(entry), "back": "/"}).status_code == 303
        assert bool(piece(workshop.database, model).state.gates) == stopped
        workshop.moment += 60
    assert clean(workshop)
