"""Packing a parcel before it leaves: what may go in, sealing, the courier, and undoing it."""

import httpx
import pytest
from sqlalchemy import func, update

from app.flow.steps import Step
from app.orders.order import belongings
from app.orders.order.asking import QuestionFields, ask
from app.orders.order.belongings import BelongingFields
from app.parcels.rules import fragile, read_code
from app.tables import copies, orders
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
    rows,
)
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import at_field, free_to_leave, the_form, words

PACKED = [Wanted(step=Step.READY, copy_step=Step.PACKING)]
TWO = [Wanted(step=Step.READY, copies=2, copy_step=Step.PACKING)]


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """An order with two copies at packing, free to leave."""
    made = make_order(workshop.database, CAST.desk, NOW - 2 * DAY, TWO)
    free_to_leave(workshop, made)
    return made


def begin(browser: Browser, *ids: int, **typed: str) -> httpx.Response:
    """Begin a parcel from the table."""
    return browser.post("/parcels/begin", {"copy": [str(i) for i in ids], **typed})


def put(browser: Browser, code: str, parcel: int = 1, **typed: str) -> httpx.Response:
    """Scan a piece into a parcel."""
    return browser.post(f"/parcels/{parcel}/put", {"code": code, **typed})


def seal(browser: Browser, parcel: int = 1, **typed: object) -> httpx.Response:
    """Seal a parcel by its form."""
    form = the_form(browser.get(f"/parcels/{parcel}").text, f"/parcels/{parcel}/seal")
    return browser.post(f"/parcels/{parcel}/seal", {**form.fields, **typed})


def courier(browser: Browser, *parcels: int, **typed: str) -> httpx.Response:
    """Hand over parcels by the page for the courier's visit."""
    form = the_form(browser.get("/parcels/courier").text, "/parcels/courier")
    said = {f"carrier-{id_}": "Parcel Goose" for id_ in parcels}
    # A number that is missing is asked about once: they say that they know.
    said |= {f"sure-{id_}": "1" for id_ in parcels}
    ticked = [str(id_) for id_ in parcels]
    return browser.post("/parcels/courier", {**form.fields, **said, **typed, "parcel": ticked})


def lying(workshop: ClockedWorkshop, parcel: int = 1) -> list[str]:
    """Codes of what a parcel's page says lies in it."""
    query = (
        "SELECT c.letter || c.number FROM packed_pieces p JOIN copies c ON c.id = p.copy_id"
        " WHERE p.parcel_id = ? AND p.out_at IS NULL AND c.step = 'packing'"
        " AND p.put_at >= c.entered_at ORDER BY p.id"
    )
    return [str(row[0]) for row in rows(workshop.database, query, parcel)]


def news(workshop: ClockedWorkshop) -> int:
    """How many customers wait to hear that something left."""
    query = "SELECT count(*) FROM news WHERE kind = 'handed_over' AND taken_back_at IS NULL"
    return int(str(rows(workshop.database, query)[0][0]))


# ---------------------------------------------------------------- a parcel's life


def test_a_parcel_is_packed_sealed_handed_over_and_received(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    assert begin(desk, made.copy("A1").id).headers["location"] == "/parcels/1"
    page = words(desk.get("/parcels/1"))
    assert "Being packed for Imre Castellan" in page
    assert put(desk, f"{made.number}-a2").status_code == 303
    assert lying(workshop) == ["A1", "A2"]
    assert news(workshop) == 0
    assert seal(desk, care_card="1", inner="Small 30×22×25").status_code == 303
    page = words(desk.get("/parcels/1"))
    assert "It waits for the courier." in page
    assert "Inner box Small 30×22×25 cm" in page
    assert news(workshop) == 0, "a sealed box tells nobody anything"
    gone = courier(desk, 1, **{"number-1": "RR473124829GB"})
    assert gone.headers["location"] == "/parcels/courier?done=moved&went=1"
    assert rows(workshop.database, "SELECT step, parcel_id FROM copies") == [("handed_over", 1)] * 2
    assert news(workshop) == 1
    page = words(desk.get("/parcels/1"))
    for part in ("Parcel Goose RR473124829GB", "Sealed by Dara", "1001-A2", "4 Ferry Lane"):
        assert part in page
    form = the_form(desk.get("/parcels/1").text, "/parcels/1/received")
    assert desk.post("/parcels/1/received", form.fields).status_code == 303
    assert rows(workshop.database, "SELECT DISTINCT step FROM copies") == [("received",)]


@pytest.mark.parametrize(("way", "said"), [("collected", "Collected"), ("brought", "Delivered")])
def test_a_sealed_parcel_is_collected_or_brought_without_a_carrier(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, way: str, said: str
) -> None:
    begin(desk, made.copy("A1").id)
    seal(desk)
    assert courier(desk, 1, **{"way-1": way, "carrier-1": ""}).status_code == 303
    assert said in words(desk.get("/parcels/1"))


def test_undone_on_the_parcels_page_it_is_sealed_and_here_again(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begin(desk, made.copy("A1").id, made.copy("A2").id)
    seal(desk)
    courier(desk, 1)
    undo = the_form(desk.get("/parcels/1").text, "/undo")
    assert desk.post("/undo", undo.fields).headers["location"] == "/parcels/1?done=undone"
    assert lying(workshop) == ["A1", "A2"]
    assert rows(workshop.database, "SELECT sent_at, taken_back_at FROM parcels") == [(None, None)]
    assert news(workshop) == 0
    assert "It waits for the courier" in words(desk.get("/parcels/1"))
    workshop.moment += 60
    assert courier(desk, 1).status_code == 303
    workshop.moment += 601
    desk.as_(workshop, CAST.desk)
    assert 'action="/undo"' not in desk.get("/parcels/1").text, "ten minutes"


def test_a_sealed_parcel_is_opened_again_and_an_empty_one_is_not_needed(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begin(desk, made.copy("A1").id)
    seal(desk)
    assert put(desk, "1001-A2").status_code == 409, "it is sealed"
    assert desk.post("/parcels/1/out", {"copy": str(made.copy("A1").id)}).status_code == 409
    assert desk.post("/parcels/1/open").status_code == 303
    assert desk.post("/parcels/1/open").status_code == 409
    assert desk.post("/parcels/1/not-needed").status_code == 409, "something lies in it"
    out = {"copy": str(made.copy("A1").id)}
    assert [desk.post("/parcels/1/out", out).status_code for _ in range(2)] == [303, 409]
    assert seal(desk).status_code == 422, "nothing lies in it"
    assert desk.post("/parcels/1/not-needed").status_code == 303
    assert desk.post("/parcels/1/not-needed").status_code == 409
    assert put(desk, "1001-A1").status_code == 409
    assert "Not needed" in words(desk.get("/parcels/1"))


# ---------------------------------------------------------------- what may go in


def test_a_strangers_piece_is_refused_with_the_reason(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    stranger = make_order(workshop.database, CAST.desk, NOW, PACKED, customer="Sela Brook")
    free_to_leave(workshop, stranger)
    begin(desk, made.copy("A1").id)
    before = fingerprint(workshop.folder.database_file)
    page = put(desk, f"{stranger.number}-A1")
    assert page.status_code == 422
    assert "goes to a different address from 1001-A1" in at_field(page, "code")
    assert begin(desk, made.copy("A2").id, stranger.copy().id).status_code == 422
    assert fingerprint(workshop.folder.database_file) == before


def test_two_orders_of_one_customer_share_a_parcel_and_each_page_tells_its_own(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    second = make_order(
        workshop.database, CAST.desk, NOW - DAY, [Wanted("Otis", step=Step.READY,
        copy_step=Step.PACKING)],
    )  # fmt: skip
    free_to_leave(workshop, second)
    with workshop.database.writing() as db:
        db.execute(update(orders).values(customer_id=made.customer_id))
        shouted = func.upper(orders.c.ship_lines) + "  "
        db.execute(update(orders).where(orders.c.id == second.id).values(ship_lines=shouted))
    assert words(desk.get("/parcels")).count("Begin a parcel") == 1, "one address"
    assert begin(desk, made.copy("A1").id, second.copy().id).status_code == 303
    seal(desk)
    courier(desk, 1)
    assert news(workshop) == 2, "a letter for each order"
    for one, own, other in ((made, "1001-A1", "Otis"), (second, "Otis", "1001-A1")):
        page = words(desk.get(f"/orders/{one.number}/letters"))
        assert other not in page, (own, other)


def test_several_parcels_carry_one_order(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    for code in ("A1", "A2"):
        begin(desk, made.copy(code).id)
    assert put(desk, "1001-A2", 1).status_code == 422, "it lies in the other one"
    assert "lies in parcel 2 already" in at_field(put(desk, "1001-A2", 1), "code")
    seal(desk, 1)
    seal(desk, 2)
    assert courier(desk, 1, 2).status_code == 303
    assert rows(workshop.database, "SELECT parcel_id FROM copies ORDER BY id") == [(1,), (2,)]
    acts = rows(workshop.database, "SELECT DISTINCT act FROM transitions WHERE move='handed_over'")
    assert len(acts) == 2, "each parcel in a transaction of its own"


def test_what_lies_in_a_parcel_does_not_leave_by_the_short_way(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begin(desk, made.copy("A1").id)
    form = the_form(desk.get(f"/parcels/new?copy={made.copy('A2').id}").text, "/parcels/new")
    assert form.ticked["copy"] == [str(made.copy("A2").id)]
    sent = {**form.fields, "carrier": "Parcel Goose", "copy": [str(made.copy("A1").id)]}
    page = desk.post("/parcels/new", sent)
    assert page.status_code == 422
    assert "lies in parcel 1" in words(page)


def test_what_still_cures_is_not_wrapped_without_a_reason(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        own = update(copies).where(copies.c.id == made.copy("A2").id)
        db.execute(own.values(rests_until=NOW + HOUR))
    begin(desk, made.copy("A1").id)
    page = put(desk, "1001-A2")
    assert page.status_code == 422
    assert "may not be wrapped yet" in at_field(page, "code")
    assert put(desk, "1001-A2", reason="only tissue round it").status_code == 303
    kept = "SELECT reason FROM packed_pieces ORDER BY id"
    assert rows(workshop.database, kept) == [("",), ("only tissue round it",)]
    # Wrapped is not gone: at the door the reason stands, and is given anew.
    seal(desk)
    assert "may not leave yet" in at_field(courier(desk, 1), "reason-1")
    assert courier(desk, 1, **{"reason-1": "hand-carried"}).status_code == 303
    why = "SELECT DISTINCT reason FROM transitions WHERE move = 'handed_over'"
    assert rows(workshop.database, why) == [("hand-carried",)]


def test_what_is_said_to_have_left_while_it_cured_needs_its_reason_too(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        own = update(copies).where(copies.c.id == made.copy("A1").id)
        db.execute(own.values(rests_until=NOW - HOUR))
    begin(desk, made.copy("A1").id)
    seal(desk)
    yesterday = {"sent_on": "2026-03-03", "sent_at": "16:00"}
    page = courier(desk, 1, **yesterday)
    assert "It is still curing" in at_field(page, "reason-1")
    typed = {**yesterday, "reason-1": "hand-carried"}
    assert courier(desk, 1, **typed).status_code == 303


@pytest.mark.parametrize(
    "code", ["", "x", "1001-Z9", "1001-B1", "9" * 40, "<b>", "/pieces/copy/99"]
)
def test_a_code_that_is_none_is_said_at_the_field(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, code: str
) -> None:
    begin(desk, made.copy("A1").id)
    before = fingerprint(workshop.folder.database_file)
    page = put(desk, code)
    assert page.status_code in (404, 422)
    assert page.status_code == 404 or at_field(page, "code")
    assert fingerprint(workshop.folder.database_file) == before


def test_a_piece_that_is_not_at_packing_is_not_packed(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    make_order(workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.BLANK)])
    begin(desk, made.copy("A1").id)
    assert "stands at Blank" in at_field(put(desk, "1002-A1"), "code")


def test_what_goes_back_to_a_bench_lies_in_no_parcel_and_keeps_the_rest_here(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        db.execute(update(orders).values(ship_part=1))
    begin(desk, made.copy("A1").id, made.copy("A2").id)
    seal(desk)
    workshop.moment += 60
    done = move(
        workshop.database, made.copy("A2"), CAST.desk, NOW + 60, "back_to_painting",
        reason="a scratch",
    )  # fmt: skip
    assert lying(workshop) == ["A1"]
    assert "was in here and went back to a bench" in words(desk.get("/parcels/1"))
    page = courier(desk, 1)
    assert page.status_code == 422
    assert "went back to a bench" in words(page)
    # Taken back, it lies where it lay.
    assert done.act
    undo = desk.post("/undo", {"entry": str(done.act), "once": "u"})
    assert undo.status_code == 303
    assert lying(workshop) == ["A1", "A2"]
    assert courier(desk, 1).status_code == 303


def test_an_address_that_changed_since_sealing_keeps_the_parcel_here(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begin(desk, made.copy("A1").id)
    seal(desk)
    with workshop.database.writing() as db:
        db.execute(update(orders).values(ship_lines="9 Mill Yard"))
    page = courier(desk, 1)
    assert page.status_code == 422
    assert "The address changed after parcel 1 was sealed" in words(page)
    desk.post("/parcels/1/open")
    seal(desk)
    assert courier(desk, 1).status_code == 303
    assert "9 Mill Yard" in words(desk.get("/parcels/1"))


# ---------------------------------------------------------------- sealing


def test_what_belongs_to_a_piece_is_ticked_before_the_box_is_closed(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        own = update(copies).where(copies.c.id == made.copy("A1").id)
        db.execute(own.values(base="oak", extras="ribbon in the box", size_mm=100))
    begin(desk, made.copy("A1").id)
    page = words(desk.get("/parcels/1"))
    for part in ("100 mm", "on oak", "With it: ribbon in the box", "Breaks first: ears"):
        assert part in page
    refused = seal(desk)
    assert refused.status_code == 422
    assert "Look whether all that belongs to 1001-A1 is in" in words(refused)
    assert seal(desk, mounted=str(made.copy("A1").id)).status_code == 303


def test_boxes_are_chosen_by_guessed_measures_and_anew_by_typed_ones(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        db.execute(update(copies).values(size_mm=100))
    begin(desk, made.copy("A1").id)
    assert "Guessed now: 160×80×140" in words(desk.get("/parcels/1"))
    id_ = made.copy("A1").id
    for typed in ("4", "2001", "ten", "-1", "9" * 30):
        page = desk.post("/parcels/1/measures", {f"length-{id_}": typed})
        assert page.status_code == 422, typed
        assert f'id="e-length-{id_}"' in page.text
        assert typed in page.text
    sides = {f"length-{id_}": "200", f"width-{id_}": "120", f"height-{id_}": "150"}
    assert desk.post("/parcels/1/measures", sides).status_code == 303
    page = words(desk.get("/parcels/1"))
    assert "Small 30×22×25 cm in Large 45×37×40 cm." in page
    assert "12.9 litres round the pieces, 50.1 litres between the boxes" in page


# ---------------------------------------------------------------- the courier


def test_one_that_may_not_leave_keeps_no_other_one_here(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begin(desk, made.copy("A1").id)
    begin(desk, made.copy("A2").id)
    seal(desk, 1)
    seal(desk, 2)
    with workshop.database.writing() as db:
        own = update(copies).where(copies.c.id == made.copy("A2").id)
        db.execute(own.values(inscription="Juniper"))
    form = the_form(desk.get("/parcels/courier").text, "/parcels/courier")
    assert form.ticked["parcel"] == ["1"], "what is stopped is not ticked"
    page = courier(desk, 1, 2, **{"number-2": "RR1", "carrier-2": "Parcel Goose"})
    assert page.status_code == 422
    assert "One parcel has left" in words(page)
    assert "The spelling of “Juniper” is not confirmed" in at_field(page, "reason-2")
    assert "RR1" in page.text
    assert rows(workshop.database, "SELECT step FROM copies ORDER BY id") == [
        ("handed_over",),
        ("packing",),
    ]
    clear = {"clear": f"spelling:{made.id}:{made.copy('A2').id}", "back": "/parcels/courier"}
    assert desk.post("/parcels/clear", clear).headers["location"] == "/parcels/courier?done=saved"
    kept = desk.post("/parcels/clear", {**clear, "way-2": "carrier", "number-2": "RR9"})
    assert 'value="RR9"' in kept.text, "what was typed for the courier outlives the clearing"
    assert courier(desk, 2).status_code == 303


def test_a_double_tap_hands_over_once(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begin(desk, made.copy("A1").id)
    seal(desk)
    sent = {"parcel": "1", "carrier-1": "Parcel Goose", "sure-1": "1", "once": "wet"}
    assert [desk.post("/parcels/courier", sent).status_code for _ in range(2)] == [303, 409]
    assert news(workshop) == 1


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"carrier-1": ""}, "carrier-1"), ({"way-1": "pigeon"}, "way-1"),
        ({"number-1": "n" * 201}, "number-1"), ({"sent_on": "2027-01-01"}, "sent_on"),
        ({"sent_at": "25:00"}, "sent_at"),
    ],
)  # fmt: skip
def test_what_is_wrong_at_the_door_is_said_at_its_field(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, typed: dict, field: str
) -> None:
    begin(desk, made.copy("A1").id)
    seal(desk)
    before = fingerprint(workshop.folder.database_file)
    page = courier(desk, 1, **typed)
    assert page.status_code == 422
    assert at_field(page, field)
    assert desk.post("/parcels/courier", {"parcel": []}).status_code == 422
    assert desk.post("/parcels/courier", {"parcel": ["x", "99"]}).status_code in (404, 422)
    assert fingerprint(workshop.folder.database_file) == before


def test_an_unsealed_parcel_does_not_leave(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begin(desk, made.copy("A1").id)
    page = desk.post("/parcels/courier", {"parcel": "1", "carrier-1": "Parcel Goose"})
    assert page.status_code == 422
    assert rows(workshop.database, "SELECT sent_at FROM parcels") == [(None,)]


def test_the_list_to_sign_names_what_leaves_today(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    assert "Nothing is sealed" in words(desk.get("/parcels/list"))
    begin(desk, made.copy("A1").id)
    begin(desk, made.copy("A2").id)
    assert "Nothing is sealed" in words(desk.get("/parcels/list"))
    seal(desk, 1)
    seal(desk, 2)
    courier(desk, 1, **{"number-1": "RR473124829GB"})
    page = words(desk.get("/parcels/list"))
    for part in ("two parcels", "RR473124829GB", "1001-A1", "1001-A2", "Signature"):
        assert part in page
    assert "1001-A2" not in words(desk.get("/parcels/list?parcel=1"))
    workshop.moment += DAY
    desk.as_(workshop, CAST.desk)
    assert "1001-A1" not in words(desk.get("/parcels/list")), "it left yesterday"
    assert desk.get(f"/parcels/list?parcel={'9' * 30}").status_code in (404, 422)


# ---------------------------------------------------------------- today's table


@pytest.fixture
def apart(workshop: ClockedWorkshop) -> MadeOrder:
    """An order of which one is ready since five days, and another is painted."""
    wanted = [*PACKED, Wanted("Otis", step=Step.READY, copy_step=Step.PAINTING)]
    made = make_order(workshop.database, CAST.desk, NOW - 5 * DAY, wanted)
    free_to_leave(workshop, made)
    return made


def test_the_table_says_what_waits_for_the_rest_and_the_customer_is_asked_by_one_tap(
    desk: Browser, workshop: ClockedWorkshop, apart: MadeOrder
) -> None:
    page = words(desk.get("/parcels"))
    assert "What is ready has waited five days. Still being made: 1001-B1 painting." in page
    assert desk.post("/parcels/clear", {"clear": f"ask:{apart.id}"}).status_code == 303
    asked = "SELECT topic, asked, channel, blocking FROM questions"
    assert rows(workshop.database, asked) == [
        ("sending in parts", "Your likeness of Juniper is finished, and we’re still making one "
         "more. Shall we send what’s finished now, or wait and send everything together?",
         "letter", 0)
    ]  # fmt: skip
    assert desk.post("/parcels/clear", {"clear": f"ask:{apart.id}"}).status_code == 409
    page = words(desk.get("/parcels"))
    assert "The customer was asked" in page
    assert "Ask whether to send in parts" not in page
    form = the_form(desk.get(f"/orders/{apart.number}").text, f"/orders/{apart.number}/answer/1")
    said = {**form.fields, "answer": "Yes, send her.", "agrees": "1"}
    assert desk.post(f"/orders/{apart.number}/answer/1", said).status_code == 303
    assert rows(workshop.database, "SELECT ship_part FROM orders") == [(1,)]
    assert begin(desk, apart.copy("A1").id).status_code == 303
    seal(desk)
    assert courier(desk, 1).status_code == 303


def test_nobody_is_asked_before_the_days_of_the_setting(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    wanted = [*PACKED, Wanted("Otis", step=Step.READY, copy_step=Step.PAINTING)]
    make_order(workshop.database, CAST.desk, NOW - 5 * DAY + HOUR, wanted)
    assert "Ask whether to send in parts" not in words(desk.get("/parcels"))


def test_each_parcel_without_a_thing_lent_asks_before_it_is_sealed(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    collar = BelongingFields(kind="collar", what="red", whose="A", shelf="Shelf 3")
    belongings.receive(workshop, made.id, collar, CAST.desk, "")
    table = the_form(desk.get("/parcels").text, "/parcels/begin")
    both = [str(made.copy(code).id) for code in ("A1", "A2")]
    assert table.ticked["copy"] == both, "what only has to be put in keeps nothing from packing"
    begin(desk, made.copy("A1").id)
    begin(desk, made.copy("A2").id)
    page = seal(desk, 1)
    assert page.status_code == 422
    assert "Juniper’s collar, red. Put it in. Or tick that it stays here." in words(page)
    assert seal(desk, 1, without="1").status_code == 303
    assert seal(desk, 2).status_code == 422
    assert seal(desk, 2, lent="1").status_code == 303
    page = courier(desk, 1, 2)
    assert page.headers["location"].endswith("went=1&went=2"), "it lies in one of them"


def test_each_reason_has_what_clears_it_beside_it_and_the_bench_clears_none(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        db.execute(update(orders).values(address_confirmed_at=None, paid="part"))
        db.execute(update(copies).values(inscription="Juniper", spelling_confirmed_at=None))
    ask(workshop, made.id, QuestionFields(asked="Which base?"), CAST.desk, "")
    text = desk.get("/parcels").text
    a1 = made.copy("A1").id
    for part in (
        f'value="spelling:{made.id}:{a1}"', f'value="address:{made.id}"',
        f'value="paid:{made.id}"', "/orders/1001#questions",
    ):  # fmt: skip
        assert part in text
    painter = desk.as_(workshop, CAST.painter)
    assert 'name="clear"' not in painter.get("/parcels").text
    assert painter.post("/parcels/clear", {"clear": f"address:{made.id}"}).status_code == 403
    office = desk.as_(workshop, CAST.desk)
    assert office.post("/parcels/clear", {"clear": f"address:{made.id}"}).status_code == 303
    for wrong in (
        "",
        "part:1",
        "paid:999",
        "address:",
        "address:999",
        f"spelling:{made.id}:999",
        "ask:x",
    ):
        assert office.post("/parcels/clear", {"clear": wrong}).status_code in (404, 409), wrong
    assert "The address is not confirmed" not in words(office.get("/parcels"))
    assert "It is not paid in full" in words(office.get("/parcels"))
    assert office.post("/parcels/clear", {"clear": f"paid:{made.id}"}).status_code == 303
    assert "It is not paid in full" not in words(office.get("/parcels"))
    noted = "SELECT before, after FROM changes WHERE field = 'paid' AND account_id = ?"
    assert rows(workshop.database, noted, CAST.desk.account_id) == [("part", "all")]


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        ("1147-A2", (1147, "A", 2)), (" 1147 - b12 ", (1147, "B", 12)),
        ("http://127.0.0.1:8000/pieces/copy/12", 12), ("/pieces/copy/7/", 7),
        ("1147-A", None), ("http://x/pieces/model/3", None), ("", None), ("1147-A2x", None),
    ],
)  # fmt: skip
def test_a_scanned_ticket_or_a_typed_code_is_read(typed: str, read: object) -> None:
    assert read_code(typed) == read


def test_what_breaks_first_is_said_for_animals_nobody_thought_of() -> None:
    assert fragile("Horse") == "ears, legs, tail"
    assert fragile("axolotl").startswith("whatever stands out")
