"""Editing: who changed what and when is kept, and nothing is overwritten unseen."""

import re

import pytest
from sqlalchemy import insert, update

from app.flow.steps import Step
from app.tables import copies, marks, orders
from tests.making import CAST, NOW, MadeOrder, Wanted, fingerprint, make_order, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import Form, at_field, free_to_leave, the_form, typed_in, words


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """An order whose copy has a confirmed inscription and a confirmed address."""
    made = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.PACKING)]
    )
    free_to_leave(workshop, made)
    with workshop.database.writing() as db:
        db.execute(update(copies).values(inscription="Juniper", spelling_confirmed_at=NOW))
        animal = made.animal_ids["A"]
        db.execute(insert(marks).values(animal_id=animal, what="torn ear", side="left", must=1))
    return made


def form_of(browser: Browser, page: str) -> Form:
    return the_form(browser.get(page).text, page)


def changes(workshop: ClockedWorkshop) -> list[tuple[object, ...]]:
    return rows(
        workshop.database, "SELECT field, before, after, account_id FROM changes ORDER BY id"
    )


# ---------------------------------------------------------------- an order


def test_what_differs_is_saved_and_who_and_when_is_kept(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = form_of(desk, f"/orders/{made.number}/edit")
    typed = {"shop_reference": "SH-77", "paid": "part"}
    assert desk.post(form.action, form.fields | typed).status_code == 303
    assert set(changes(workshop)) == {
        ("shop_reference", "", "SH-77", 2),
        ("paid", "all", "part", 2),
    }
    page = words(desk.get(f"/orders/{made.number}"))
    assert "shop reference: SH-77 Dara Quill" in page
    assert "paid: all part Dara Quill" in page


def test_saving_without_a_change_changes_nothing(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    form = form_of(desk, f"/orders/{made.number}/edit")
    assert desk.post(form.action, form.fields).status_code == 303
    assert changes(workshop) == []
    assert rows(workshop.database, "SELECT spelling_confirmed_at FROM copies") == [(NOW,)]
    assert rows(workshop.database, "SELECT address_confirmed_at FROM orders") == [(NOW,)]


def test_a_changed_inscription_has_to_be_confirmed_again(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = form_of(desk, f"/orders/{made.number}/edit")
    name = f"k{made.copy().id}_inscription"
    desk.post(form.action, form.fields | {name: "Juniper II"})
    assert rows(workshop.database, "SELECT inscription, spelling_confirmed_at FROM copies") == [
        ("Juniper II", None)
    ]
    assert "The spelling of “Juniper II” is not confirmed." in words(desk.get("/parcels"))
    assert "Spelling not confirmed yet" in words(desk.get(f"/pieces/copy/{made.copy().id}"))
    desk.post(f"/orders/{made.number}/spelling/{made.copy().id}")
    assert re.search(r"\. Ready\. ", words(desk.get("/parcels")))


def test_a_changed_address_has_to_be_confirmed_again(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    form = form_of(desk, f"/orders/{made.number}/edit")
    desk.post(form.action, form.fields | {"ship_postcode": "SM1 9ZZ"})
    assert rows(workshop.database, "SELECT address_confirmed_at FROM orders") == [(None,)]
    desk.post(f"/orders/{made.number}/address")
    assert rows(workshop.database, "SELECT address_confirmed_at FROM orders") == [(NOW,)]


def test_a_new_address_is_taken_over_by_the_other_open_orders_that_are_ticked(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    others = [make_order(workshop.database, CAST.desk, NOW, [Wanted()]) for _ in range(3)]
    with workshop.database.writing() as db:
        db.execute(update(orders).values(customer_id=1))
        db.execute(update(orders).where(orders.c.id == others[2].id).values(open=0))
        db.execute(update(orders).where(orders.c.id == others[0].id).values(address_confirmed_at=5))
    page = desk.get(f"/orders/{made.number}/edit")
    assert "Their other open orders too?" in words(page)
    form = the_form(page.text, f"/orders/{made.number}/edit")
    assert sorted(form.ticks["others"]) == [str(other.number) for other in others[:2]]
    moved = {"ship_lines": "9 Quay Street", "ship_postcode": "SM4 4DD", "note": "tall"}
    ticked = {"others": [str(others[0].number), str(others[2].number), "77"]}
    wrong = desk.post(form.action, form.fields | moved | ticked | {"paid": "perhaps"})
    assert the_form(wrong.text, form.action).ticked["others"] == [str(others[0].number)]
    assert desk.post(form.action, form.fields | moved | ticked).status_code == 303
    found = rows(
        workshop.database,
        "SELECT ship_lines, ship_country, note, address_confirmed_at FROM orders ORDER BY id",
    )
    assert found == [
        ("9 Quay Street", "GB", "tall", None),
        ("9 Quay Street", "GB", "", None),
        ("", "", "", None),
        ("", "", "", None),
    ]
    kept = rows(workshop.database, "SELECT field FROM changes WHERE order_id = ?", others[0].id)
    assert {field for (field,) in kept} == {
        "ship_lines", "ship_postcode", "ship_country", "address_confirmed_at",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("needed_by", "2026-03-01"), ("gift_day", "2026-03-04"), ("needed_by", "never"),
        ("note", "n" * 2001), ("channel", "pigeon"), ("ship_name", "a\x07b"),
        ("k1_size", "4"), ("k1_size", "9" * 30), ("k1_inscription", "\u202eJ"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_at_its_field_and_all_is_kept(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, name: str, value: str
) -> None:
    form = form_of(desk, f"/orders/{made.number}/edit")
    before = fingerprint(workshop.folder.database_file)
    page = desk.post(form.action, form.fields | {"parcel_note": "mind the dog", name: value})
    assert page.status_code == 422
    assert at_field(page, name)
    assert typed_in(page, "parcel_note") == "mind the dog"
    assert fingerprint(workshop.folder.database_file) == before


def test_a_needed_day_that_has_passed_since_may_stay(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    with workshop.database.writing() as db:
        db.execute(update(orders).values(needed_by="2026-03-01"))
    form = form_of(desk, f"/orders/{made.number}/edit")
    assert desk.post(form.action, form.fields | {"note": "late"}).status_code == 303


def test_what_a_colleague_changed_meanwhile_is_not_overwritten_unseen(
    desk: Browser, owner: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    stale = form_of(desk, f"/orders/{made.number}/edit")
    fresh = form_of(owner, f"/orders/{made.number}/edit")
    owner.post(fresh.action, fresh.fields | {"parcel_note": "ring twice"})
    page = desk.post(stale.action, stale.fields | {"note": "tall"})
    assert page.status_code == 422
    assert "Somebody else changed this meanwhile" in words(page)
    assert typed_in(page, "note") == "tall"
    assert rows(workshop.database, "SELECT parcel_note, note FROM orders") == [("ring twice", "")]
    again = the_form(page.text, stale.action)
    assert desk.post(again.action, again.fields).status_code == 303


@pytest.mark.parametrize("page", ["/orders/1001/edit", "/customers/1/edit", "/animals/1/edit"])
def test_a_form_of_which_half_got_lost_wipes_nothing(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, page: str
) -> None:
    before = fingerprint(workshop.folder.database_file)
    for sent in ({}, {"name": "Juniper"}, {"note": "x"}):
        assert desk.post(page, sent).status_code == 422
    assert fingerprint(workshop.folder.database_file) == before


# ---------------------------------------------------------------- a customer


def test_a_customer_gets_another_address_that_receives(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    form = form_of(desk, "/customers/1/edit")
    desk.post(form.action, form.fields | {"mail": "imre@castellan.example", "phone": "0555-01 44"})
    form = form_of(desk, "/customers/1/edit")
    assert form.ticked["receives"] == ["1"]
    desk.post(form.action, form.fields | {"mail": "shop@castellan.example"})
    assert rows(workshop.database, "SELECT mail, receives FROM customer_mails ORDER BY id") == [
        ("imre@castellan.example", 0), ("shop@castellan.example", 1),
    ]  # fmt: skip
    form = form_of(desk, "/customers/1/edit")
    desk.post(form.action, form.fields | {"receives": "1"})
    assert rows(workshop.database, "SELECT receives FROM customer_mails ORDER BY id") == [
        (1,),
        (0,),
    ]
    assert rows(workshop.database, "SELECT phone_digits FROM customers") == [("05550144",)]
    assert ("phone", "", "0555-01 44", 2) in changes(workshop)


@pytest.mark.parametrize(
    ("name", "value"),
    [("name", ""), ("mail", "imre"), ("mail", "a" * 65 + "@x.example"), ("receives", "first")],
)
def test_a_customer_is_not_saved_with_what_cannot_be(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, name: str, value: str
) -> None:
    form = form_of(desk, "/customers/1/edit")
    before = fingerprint(workshop.folder.database_file)
    page = desk.post(form.action, form.fields | {"note": "rings at noon", name: value})
    assert page.status_code == 422
    assert typed_in(page, "note") == "rings at noon"
    assert fingerprint(workshop.folder.database_file) == before


# ---------------------------------------------------------------- an animal and its marks


def test_an_animal_and_its_marks_are_edited_and_what_is_taken_off_is_kept(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = form_of(desk, "/animals/1/edit")
    typed = {"life": "remembered", "m1_what": "torn right ear", "m1_side": "right", "m1_must": "1",
             "mnew_what": "white star", "mnew_side": "none", "mnew_must": "1"}  # fmt: skip
    assert desk.post(form.action, form.fields | typed).status_code == 303
    assert rows(workshop.database, "SELECT what, side, must FROM marks ORDER BY id") == [
        ("torn right ear", "right", 1), ("white star", "none", 1),
    ]  # fmt: skip
    form = form_of(desk, "/animals/1/edit")
    desk.post(form.action, form.fields | {"m2_gone": "1", "m1_must": "1"})
    assert rows(workshop.database, "SELECT what FROM marks WHERE gone_at IS NULL") == [
        ("torn right ear",)
    ]
    assert rows(workshop.database, "SELECT count(*) FROM marks") == [(2,)]
    assert ("life", "living", "remembered", 2) in changes(workshop)


def test_who_asked_for_a_change_of_an_animal_stands_with_it(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = form_of(desk, "/animals/1/edit")
    assert form.fields["asked_by"] == "us"
    wrong = desk.post(form.action, form.fields | {"m1_must": "1", "asked_by": "a dream"})
    assert wrong.status_code == 422
    assert at_field(wrong, "asked_by")
    typed = {"m1_must": "1", "colours": "blue roan", "asked_by": "phone"}
    assert desk.post(form.action, form.fields | typed).status_code == 303
    page = words(desk.get("/animals/1"))
    assert "blue roan Dara Quill, the customer asked by phone" in page


def test_a_mark_that_a_colleague_noted_meanwhile_stays(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    form = form_of(desk, "/animals/1/edit")
    with workshop.database.writing() as db:
        db.execute(insert(marks).values(animal_id=1, what="blind eye", side="right", must=1))
    assert desk.post(form.action, form.fields | {"m1_must": "1"}).status_code == 303
    assert rows(workshop.database, "SELECT count(*) FROM marks WHERE gone_at IS NULL") == [(2,)]


def test_a_mark_that_a_colleague_noted_is_not_emptied_by_a_form_that_comes_back(
    desk: Browser, painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = form_of(desk, "/animals/1/edit")
    theirs = form_of(painter, "/animals/1/edit")
    star = {"m1_must": "1", "mnew_what": "white star", "mnew_side": "none", "mnew_must": "1"}
    assert painter.post(theirs.action, theirs.fields | star).status_code == 303
    page = desk.post(form.action, form.fields | {"m1_what": "torn right ear", "m1_must": "1"})
    assert page.status_code == 422
    assert "Somebody else changed this meanwhile." in words(page)
    assert typed_in(page, "m1_what") == "torn right ear"
    assert typed_in(page, "m2_what") == "white star"
    again = the_form(page.text, form.action)
    assert desk.post(again.action, again.fields | {"m1_must": "1"}).status_code == 303
    assert rows(workshop.database, "SELECT what FROM marks WHERE gone_at IS NULL") == [
        ("torn right ear",), ("white star",)
    ]  # fmt: skip


def test_what_was_changed_of_a_marking_is_told_on_the_animal_s_page(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = form_of(desk, "/animals/1/edit")
    new = {"mnew_what": "white star", "mnew_side": "not_asked", "asked_by": "mail"}
    assert desk.post(form.action, form.fields | {"m1_must": "1", **new}).status_code == 303
    page = words(desk.get("/animals/1"))
    assert "marking: white star Dara Quill, the customer asked by email" in page
    form = form_of(desk, "/animals/1/edit")
    off = {"m1_must": "1", "m1_gone": "1", "m2_side": "left", "m2_must": "1"}
    assert desk.post(form.action, form.fields | off).status_code == 303
    page = words(desk.get("/animals/1"))
    assert "side of white star: not asked left Dara Quill, we decided" in page
    assert "white star must match: no yes" in page
    assert "marking: torn ear Dara Quill" in page


def test_a_side_that_the_words_of_a_marking_say_is_not_said_twice(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        db.execute(update(marks).values(what="torn ear, left", side="left"))
        db.execute(insert(marks).values(animal_id=1, what="white hind", side="right"))
    for page in ("/animals/1", f"/pieces/copy/{made.copy().id}", f"/tickets?order={made.number}"):
        said = words(desk.get(page)).lower()
        assert "torn ear, left white hind right" in said, page


def test_the_bench_may_edit_an_animal_but_no_customer(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = form_of(painter, "/animals/1/edit")
    assert painter.post(form.action, form.fields | {"height": "148 cm"}).status_code == 303
    assert painter.get("/customers/1/edit").status_code == 403
    assert painter.get(f"/orders/{made.number}/edit").status_code == 403
