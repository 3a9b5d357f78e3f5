"""What customers lend: a collar, hair, ashes, prints. Losing one is worse than losing a piece."""

import pytest

from app.desk.find_store import Finder
from app.flow.amendments import undo
from app.flow.steps import Step
from app.orders.facts.gather import facts_of
from app.upkeep.audit import audit
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, move, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, at_field, free_to_leave, the_form, words

COLLAR = {"kind": "collar", "whose": "A", "what": "red leather", "shelf": "Shelf 3, box 12"}
LEFT = (
    "Still here, and the customer’s: Juniper’s collar, red leather. Put it in. "
    "Only the owner can override that."
)


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """A copy at packing, free to leave."""
    wanted = [Wanted(step=Step.READY, copy_step=Step.PACKING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    free_to_leave(workshop, made)
    return made


def lend(browser: Browser, made: MadeOrder, **typed: str):
    where = f"/orders/{made.number}"
    form = the_form(browser.get(where).text, f"{where}/belongings")
    return browser.post(form.action, {**form.fields, **COLLAR, **typed})


def hand_over(browser: Browser, made: MadeOrder, *lent: str, **typed: str):
    copy = made.copy()
    form = the_form(browser.get(f"/parcels/new?copy={copy.id}").text, "/parcels/new")
    sent = {"copy": [str(copy.id)], "way": "collected", "lent": list(lent), **typed}
    return browser.post(form.action, {**form.fields, **sent})


def open_(workshop: ClockedWorkshop) -> object:
    [(found,)] = rows(workshop.database, "SELECT open FROM orders")
    return found


def test_what_came_in_is_on_the_order_the_piece_the_ticket_the_list_and_is_found(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    finder = Finder(workshop.database)
    assert finder.up_to_date().find("collar") == []
    assert lend(painter, made).status_code == 303
    for page in (
        f"/orders/{made.number}", "/belongings", address(made.copy()),
        f"/tickets?order={made.number}", f"/parcels/new?copy={made.copy().id}",
    ):  # fmt: skip
        said = words(painter.get(page))
        assert "Juniper’s collar, red leather" in said, page
        assert "Shelf 3, box 12" in said, page
    assert "received by Pilar" in words(painter.get("/belongings"))
    [hit] = finder.up_to_date().find("collar")
    assert hit.entry.order_id == made.id


def test_a_parcel_without_it_asks_and_only_the_owner_leaves_it_behind(
    desk: Browser, owner: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    lend(desk, made)
    answer = hand_over(desk, made)
    assert answer.status_code == 422
    assert "Juniper’s collar, red leather. Put it in." in at_field(answer, "reason")
    answer = hand_over(desk, made, reason="It can follow")
    assert at_field(answer, "reason") == f"{made.number}-A1 may not leave: {LEFT}"
    assert hand_over(owner, made, reason="It can follow").status_code == 303
    move(workshop.database, made.copy(), CAST.desk, workshop.moment, "received")
    assert open_(workshop) == 1, "what is out keeps the order open"
    assert audit(workshop.folder, workshop.moment).differences == []
    where = f"/orders/{made.number}/belongings/1/returned"
    assert desk.post(where, {"sent": "post"}).status_code == 303
    assert open_(workshop) == 0
    assert desk.post(where, {"sent": "post"}).status_code == 409
    assert audit(workshop.folder, workshop.moment).differences == []


def test_it_goes_back_in_the_parcel_and_is_here_again_where_that_is_undone_or_came_back(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    lend(desk, made)
    assert hand_over(desk, made, "1").status_code == 303
    query = "SELECT returned_at, parcel_id, back_from_id FROM belongings"
    gone = [(workshop.moment, 1, None)]
    assert rows(workshop.database, query) == gone
    assert "in the parcel" in words(desk.get(f"/orders/{made.number}"))
    done = move(workshop.database, made.copy(), CAST.desk, workshop.moment + 60, "received")
    undo(workshop.database, done.entries[made.copy()], CAST.desk, workshop.moment + 90)
    assert rows(workshop.database, query) == gone
    workshop.moment += 120
    page = desk.get(address(made.copy()))
    form = the_form(page.text, f"{address(made.copy())}/move", move="came_back")
    assert desk.post(form.action, {**form.fields, "reason": "nobody at home"}).status_code == 303
    assert rows(workshop.database, query) == [(None, None, 1)]
    assert "came back undelivered" in words(desk.get("/belongings"))
    [(entry,)] = rows(workshop.database, "SELECT max(id) FROM transitions")
    undo(workshop.database, int(str(entry)), CAST.desk, workshop.moment + 30)
    assert rows(workshop.database, query) == gone
    [(entry,)] = rows(workshop.database, "SELECT id FROM transitions WHERE move = 'handed_over'")
    undo(workshop.database, int(str(entry)), CAST.desk, workshop.moment + 40)
    assert rows(workshop.database, query) == [(None, None, None)]
    assert audit(workshop.folder, workshop.moment + 60).differences == []


def test_handing_over_that_is_undone_leaves_it_in_the_house(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    lend(desk, made)
    hand_over(desk, made, "1")
    [(entry,)] = rows(workshop.database, "SELECT max(id) FROM transitions")
    undo(workshop.database, int(str(entry)), CAST.desk, workshop.moment + 30)
    query = "SELECT returned_at, parcel_id FROM belongings"
    assert rows(workshop.database, query) == [(None, None)]


def test_while_the_rest_of_the_order_is_to_follow_it_may_wait_for_that(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    wanted = [
        Wanted(step=Step.READY, copy_step=Step.PACKING),
        Wanted("Otis", step=Step.READY, copy_step=Step.PAINTING),
    ]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted, ship_part=1)
    free_to_leave(workshop, made)
    lend(desk, made)
    assert hand_over(desk, made).status_code == 303


def test_ashes_are_not_invited_by_ordinary_post(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    lend(desk, made, kind="ashes", what="")
    assert "Ashes don’t go by ordinary post." in words(desk.get(f"/orders/{made.number}"))
    assert "Ashes don’t go by ordinary post." in words(
        desk.get(f"/parcels/new?copy={made.copy().id}")
    )


def test_the_facts_hold_no_word_of_the_shelf(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    lend(desk, made)
    with workshop.database.reading() as db:
        facts = facts_of(db, made.id, workshop.in_force(), workshop.moment)
    [lent] = facts.lent
    assert (lent.kind, lent.animal, lent.what, lent.here) == ("collar", "Juniper", "", True)
    assert "Shelf" not in repr(facts)


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"shelf": ""}, "shelf", "Where does it lie?"),
        ({"kind": "other", "what": ""}, "what", "What is it?"),
        ({"kind": "sword"}, "kind", "Choose one from the list."),
        ({"whose": "Q"}, "whose", "does not belong to this order"),
        ({"received_on": "2099-01-01"}, "received_on", "in the future"),
        ({"received_on": "yesterday"}, "received_on", "A day like"),
        ({"what": "x" * 201}, "what", ""),
    ],
)
def test_bad_input_is_named_at_its_field_and_nothing_typed_is_lost(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder,
    typed: dict[str, str], field: str, said: str,
) -> None:  # fmt: skip
    answer = lend(desk, made, **typed)
    assert answer.status_code == 422
    assert said in at_field(answer, field)
    assert at_field(answer, field)
    if "shelf" not in typed:
        assert 'value="Shelf 3, box 12"' in answer.text
    assert rows(workshop.database, "SELECT id FROM belongings") == []


def test_a_form_sent_twice_notes_it_once(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    where = f"/orders/{made.number}"
    form = the_form(desk.get(where).text, f"{where}/belongings")
    typed = {**form.fields, **COLLAR}
    assert [desk.post(form.action, typed).status_code for _ in range(2)] == [303, 409]
    assert len(rows(workshop.database, "SELECT id FROM belongings")) == 1


def test_it_moves_to_another_shelf_is_here_after_all_or_never_was(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    lend(desk, made)
    where = f"/orders/{made.number}/belongings/1"
    moved = {"what": "blue", "shelf": "The safe", "way": "hand"}
    assert desk.post(where, moved).status_code == 303
    assert "The safe" in words(desk.get("/belongings"))
    assert hand_over(desk, made).status_code == 303, "from hand to hand: no parcel asks"
    early = desk.post(f"{where}/returned", {"sent": "hand", "returned_on": "2026-03-01"})
    assert at_field(early, "returned_on") == "That is before it came to us."
    assert desk.post(f"{where}/returned", {"sent": "hand"}).status_code == 303
    assert desk.post(where, {"act": "back"}).status_code == 303
    assert desk.post(where, {"act": "back"}).status_code == 409
    assert desk.post(where, {"act": "strike"}).status_code == 303
    assert desk.post(where, {"act": "strike"}).status_code == 404
    assert "Nothing of customers’ is in the house." in words(desk.get("/belongings"))
    changed = rows(workshop.database, "SELECT field FROM changes WHERE of = 'belongings'")
    assert [field for (field,) in changed] == [
        "received", "what", "shelf", "way", "returned", "here after all", "noted by mistake",
    ]  # fmt: skip
