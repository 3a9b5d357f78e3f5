"""Parcels: what may leave, what goes together, what the carrier was given, when it came."""

import httpx
import pytest
from sqlalchemy import insert, update

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import Step
from app.orders.order.asking import QuestionFields, ask
from app.shared.people import Person
from app.tables import copies, orders, parcels
from tests.making import (
    CAST,
    DAY,
    HOUR,
    NOW,
    MadeOrder,
    Wanted,
    fingerprint,
    make_order,
    move,
    piece,
    rows,
    step_of,
)
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import at_field, free_to_leave, the_form, typed_in, words

PACKED = [Wanted(step=Step.READY, copy_step=Step.PACKING)]
TO = {"carrier": "Parcel Goose", "number": "RR473124829GB", "sure": "1"}


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """An order with two copies at packing, free to leave, there since Monday 10:00."""
    wanted = [Wanted(step=Step.READY, copies=2, copy_step=Step.PACKING)]
    made = make_order(workshop.database, CAST.desk, NOW - 2 * DAY, wanted)
    free_to_leave(workshop, made)
    return made


def send(browser: Browser, *ids: int, **typed: str) -> httpx.Response:
    """Hand copies over by the form of the first of them."""
    form = the_form(browser.get(f"/parcels/new?copy={ids[0]}").text, "/parcels/new")
    return browser.post(
        "/parcels/new", {**form.fields, **TO, "copy": [str(i) for i in ids], **typed}
    )


def ids(made: MadeOrder) -> tuple[int, int]:
    return made.copy("A1").id, made.copy("A2").id


def test_several_copies_leave_in_one_parcel_and_one_act(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = the_form(desk.get(f"/parcels/new?copy={ids(made)[0]}").text, "/parcels/new")
    assert form.ticked["copy"] == [str(i) for i in ids(made)], "all of the order that is packed"
    assert send(desk, *ids(made)).headers["location"] == "/parcels/1?done=moved"
    assert rows(workshop.database, "SELECT step, parcel_id FROM copies") == [("handed_over", 1)] * 2
    moved = "SELECT count(DISTINCT act), count(*) FROM transitions WHERE move = 'handed_over'"
    assert rows(workshop.database, moved) == [(1, 2)]
    assert rows(workshop.database, "SELECT kind, round FROM news") == [("handed_over", 1)], (
        "one parcel"
    )
    page = words(desk.get("/parcels/1"))
    for part in ("Parcel Goose RR473124829GB", "1001-A1", "1001-A2", "4 Ferry Lane", "by Dara"):
        assert part in page
    assert "two pieces of order 1001" in words(desk.get("/parcels"))


def test_two_orders_of_one_customer_go_together_to_one_address(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    second = make_order(workshop.database, CAST.desk, NOW - DAY, PACKED)
    free_to_leave(workshop, second)
    with workshop.database.writing() as db:
        db.execute(update(orders).values(customer_id=made.customer_id))
    assert "Also packed for the same customer:" in words(
        desk.get(f"/parcels/new?copy={ids(made)[0]}")
    )
    assert send(desk, ids(made)[0], second.copy().id).status_code == 303
    assert rows(workshop.database, "SELECT DISTINCT order_id FROM copies WHERE parcel_id = 1") == [
        (1,),
        (2,),
    ]
    assert len(rows(workshop.database, "SELECT 1 FROM news WHERE kind = 'handed_over'")) == 2


@pytest.mark.parametrize("theirs", [True, False])
def test_one_parcel_goes_to_one_address(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, theirs: bool
) -> None:
    second = make_order(workshop.database, CAST.desk, NOW - DAY, PACKED, customer="Sela Brook")
    free_to_leave(workshop, second)
    if theirs:
        with workshop.database.writing() as db:
            changed = update(orders).where(orders.c.id == second.id)
            db.execute(changed.values(customer_id=made.customer_id, ship_name="The Brooks"))
    before = fingerprint(workshop.folder.database_file)
    page = send(desk, ids(made)[0], second.copy().id)
    assert page.status_code == 422
    assert "goes to a different address" in words(page)
    assert fingerprint(workshop.folder.database_file) == before


# ---------------------------------------------------------------- may it leave?


@pytest.fixture
def stuck(workshop: ClockedWorkshop) -> MadeOrder:
    """A copy at packing with every reason against it that an order can have at once."""
    wanted = [*PACKED, Wanted("Otis", step=Step.FINISHING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    with workshop.database.writing() as db:
        db.execute(update(orders).values(ship_lines="4 Ferry Lane", paid="part"))
        this = update(copies).where(copies.c.id == made.copy("A1").id)
        db.execute(this.values(inscription="Juniper", rests_until=NOW + HOUR))
    ask(workshop, made.id, QuestionFields(asked="Is the address right?"), CAST.desk, "")
    return made


EVERY_REASON = (
    "It is still curing: wrapping would mark it.", "A question is open.", "It is not paid in full.",
    "The address is not confirmed.", "The spelling of “Juniper” is not confirmed.",
    "The rest of the order is not ready.",
)  # fmt: skip


def test_every_reason_is_said_at_once_on_both_pages(
    desk: Browser, workshop: ClockedWorkshop, stuck: MadeOrder
) -> None:
    for page in ("/parcels", f"/parcels/new?copy={stuck.copy('A1').id}"):
        for reason in EVERY_REASON:
            assert reason in words(desk.get(page)), reason
    answer = send(desk, stuck.copy("A1").id, note="fragile")
    assert answer.status_code == 422
    for reason in EVERY_REASON:
        assert reason in at_field(answer, "reason")
    assert typed_in(answer, "number") == TO["number"]


@pytest.mark.parametrize(
    ("who", "status"), [(CAST.painter, 422), (CAST.desk, 422), (CAST.owner, 303)]
)
def test_the_spelling_is_passed_over_by_the_owner_alone(
    desk: Browser, workshop: ClockedWorkshop, stuck: MadeOrder, who: Person, status: int
) -> None:
    browser = desk.as_(workshop, who)
    before = fingerprint(workshop.folder.database_file)
    answer = send(browser, stuck.copy("A1").id, reason="the customer is at the door")
    assert answer.status_code == status
    if status == 303:
        said = "SELECT reason FROM transitions WHERE move = 'handed_over'"
        assert rows(workshop.database, said) == [("the customer is at the door",)]
        return
    assert fingerprint(workshop.folder.database_file) == before
    left = at_field(answer, "reason")
    assert "override that." in left
    assert ("It is not paid in full." in left) == (who is CAST.painter)
    assert "still curing" not in left


def test_what_is_on_hold_leaves_by_nobodys_word(
    owner: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    wish = Wish(made.copy("A1"), Kind.HOLD, reason="they are away", whose="customer")
    record(workshop.database, [wish], CAST.desk, NOW)
    answer = send(owner, ids(made)[0], reason="I say so")
    assert answer.status_code == 422
    assert "Resume it first" in at_field(answer, "reason")


def test_a_question_about_a_sister_does_not_keep_this_copy(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    sister = QuestionFields(asked="Which base?", about=str(made.copy("A2")))
    ask(workshop, made.id, sister, CAST.desk, "")
    assert send(desk, ids(made)[0]).status_code == 303
    assert "A question is open" in words(desk.get("/parcels"))


# ---------------------------------------------------------------- the form


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"copy": []}, "copy"),
        ({"carrier": ""}, "carrier"),
        ({"way": "pigeon"}, "way"),
        ({"sent_on": "2026-03-05"}, "sent_on"),
        ({"sent_at": "10:30"}, "sent_at"),
        ({"sent_on": "2026-02-27"}, "sent_on"),
        ({"sent_on": "2026-02-27", "sent_at": "9:00"}, "sent_at"),
        ({"sent_at": "26:00"}, "sent_at"),
        ({"number": "n" * 201}, "number"),
    ],
)
def test_what_is_wrong_is_said_at_its_field_and_all_is_kept(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, typed: dict, field: str
) -> None:
    before = fingerprint(workshop.folder.database_file)
    form = the_form(desk.get(f"/parcels/new?copy={ids(made)[0]}").text, "/parcels/new")
    sent = {**form.fields, **TO, "copy": [str(ids(made)[0])], "reason": "by hand", **typed}
    page = desk.post("/parcels/new", sent)
    assert page.status_code == 422
    assert at_field(page, field) or (field in ("copy", "carrier") and 'class="say"' in page.text)
    assert typed_in(page, "reason") == "by hand"
    again = the_form(page.text, "/parcels/new")
    assert again.ticked.get("copy", []) == sent["copy"], "ticks stay"
    assert fingerprint(workshop.folder.database_file) == before


def test_what_left_on_friday_may_be_entered_on_monday(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    workshop.moment = NOW + 5 * DAY  # Monday the 9th
    desk.as_(workshop, CAST.desk)
    send(desk, *ids(made), sent_on="2026-03-06", sent_at="16:20")
    friday = NOW + 2 * DAY + 6 * HOUR + 20 * 60
    assert rows(workshop.database, "SELECT sent_at FROM parcels") == [(friday,)]
    moved = "SELECT DISTINCT happened_at, recorded_at, time_is FROM transitions WHERE parcel"
    moved = moved.replace("WHERE parcel", "WHERE move = 'handed_over'")
    assert rows(workshop.database, moved) == [(friday, workshop.moment, "typed")]
    assert "Handed over 6 Mar, 16:20" in words(desk.get("/parcels/1"))


def test_collected_or_brought_needs_no_carrier(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    assert send(desk, ids(made)[0], way="collected", carrier="").status_code == 303
    assert send(desk, ids(made)[1], way="brought", carrier="Parcel Goose").status_code == 303
    assert rows(workshop.database, "SELECT way, carrier FROM parcels") == [
        ("collected", ""),
        ("brought", ""),
    ]
    page = words(desk.get("/parcels"))
    assert "collected" in page
    assert "delivered by us" in page


def test_a_double_tap_makes_one_parcel(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    sent = {**TO, "copy": [str(i) for i in ids(made)], "once": "wet"}
    assert [desk.post("/parcels/new", sent).status_code for _ in range(2)] == [303, 409]
    assert rows(workshop.database, "SELECT count(*) FROM parcels") == [(1,)]


def test_a_copy_that_is_not_at_packing_makes_no_parcel(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    other = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.BLANK)]
    )
    before = fingerprint(workshop.folder.database_file)
    sent = {**TO, "copy": [str(ids(made)[0]), str(other.copy().id)], "once": "k"}
    assert desk.post("/parcels/new", sent).status_code == 409
    for wrong in ("999", "x", "-1", "9" * 30):
        assert desk.post("/parcels/new", sent | {"copy": [wrong]}).status_code in (404, 422)
    assert fingerprint(workshop.folder.database_file) == before


# ---------------------------------------------------------------- on its way, and there


def test_received_closes_every_copy_of_the_parcel_once(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    send(desk, *ids(made), sent_on="2026-03-03")
    where = "/parcels/1/received"
    form = the_form(desk.get("/parcels/1").text, where).fields
    wrong = desk.post(where, form | {"sent_on": "2026-03-02"})
    assert wrong.status_code == 422
    assert "after that" in at_field(wrong, "sent_on")
    assert desk.post(where, form | {"sent_on": "2026-03-05"}).status_code == 422
    assert desk.post(where, form | {"sent_on": "2026-03-04", "sent_at": "9:00"}).status_code == 303
    assert step_of(workshop.database, made.copy("A1")) is step_of(
        workshop.database, made.copy("A2")
    )
    assert piece(workshop.database, made.copy("A1")).state.entered_at == NOW - HOUR
    assert desk.post(where, form).status_code == 409
    assert "Nothing. Parcels that have left" in words(desk.get("/parcels"))
    assert "Closed." in words(desk.get(f"/orders/{made.number}"))


def test_carrier_and_number_are_put_right_and_who_did_it_is_kept(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    send(desk, *ids(made), number="RR473124828GB")
    assert "The check digit does not match" in words(desk.get("/parcels/1"))
    where = "/parcels/1/number"
    for typed in ({}, {"carrier": "", "number": "1"}, {"carrier": "x" * 201, "number": "1"}):
        assert desk.post(where, typed).status_code == 422
    assert (
        desk.post(where, {"carrier": "Parcel Goose", "number": "rr 473124829 gb"}).status_code
        == 303
    )
    assert rows(workshop.database, "SELECT number, number_key FROM parcels") == [
        ("RR473124829GB", "RR473124829GB")
    ]
    assert "number: Parcel Goose RR473124828GB Parcel Goose RR473124829GB" in words(
        desk.get(f"/orders/{made.number}")
    )
    assert "check digit" not in words(desk.get("/parcels/1"))


def test_undoing_a_handing_over_frees_the_parcel_and_takes_back_its_news(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    send(desk, *ids(made))
    form = the_form(desk.get(f"/pieces/copy/{ids(made)[0]}").text, "/undo")
    assert desk.post("/undo", form.fields).status_code == 303
    assert rows(workshop.database, "SELECT step, parcel_id FROM copies") == [("packing", None)] * 2
    assert "Withdrawn: handing over was undone." in words(desk.get("/parcels/1"))
    assert rows(workshop.database, "SELECT count(*) FROM news WHERE taken_back_at IS NULL") == [
        (0,)
    ]
    assert send(desk, *ids(made)).headers["location"] == "/parcels/2?done=moved"


def test_what_came_back_is_at_packing_again(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    send(desk, ids(made)[0])
    move(workshop.database, made.copy("A1"), CAST.desk, NOW, "came_back", reason="nobody at home")
    assert "1001-A1" in words(desk.get("/parcels")).partition("On the way")[0]
    assert "Nothing. Parcels that have left" in words(desk.get("/parcels"))


def test_confirming_is_for_this_orders_pieces_alone(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    other = make_order(workshop.database, CAST.desk, NOW, PACKED)
    assert desk.post(f"/orders/{made.number}/spelling/{other.copy().id}").status_code == 404
    assert desk.post(f"/orders/777/spelling/{other.copy().id}").status_code == 404
    assert desk.post("/orders/777/address").status_code == 404


def test_there_is_no_page_for_a_parcel_that_is_not(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    for where in ("/parcels/1", "/parcels/x", "/parcels/new?copy=1", "/parcels/new"):
        assert desk.get(where).status_code == 404
    for where in ("/parcels/1/received", "/parcels/1/number"):
        assert desk.post(where, TO).status_code == 404
    with workshop.database.writing() as db:
        db.execute(insert(parcels).values(way="collected", sent_at=NOW))
    assert desk.get("/parcels/1").status_code == 200
