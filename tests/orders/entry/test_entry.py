"""The page on which an order is typed: one animal or twelve, known or new, under way or fresh."""

import re
from datetime import date

import httpx
import pytest

from app.flow.steps import Step
from app.orders.forecast import record
from app.publishing.worker import rewrite_stale
from app.status.site import customers_site
from tests.making import CAST, DAY, NOW, Wanted, fingerprint, make_order, move, rows, step_of
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import at_field, copies_of, model_of, the_form, typed_in, words

TYPED = {
    "once": "a-key", "name": "Maren Oduya", "address_as": "Maren", "mail": "maren@oduya.example",
    "phone": "0000 555 0144", "channel": "phone", "paid": "part", "a0_name": "Juniper",
    "a0_kind": "Arab mare", "a0_sex": "female", "a0_life": "living",
    "a0_marks": "white stocking, left hind; scar on the shoulder", "a0c0_size": "120",
    "a0c0_pose": "standing", "a0c0_base": "oak", "a0c0_inscription": "Juniper 2009",
}  # fmt: skip


def save(desk: Browser, **changed: str) -> httpx.Response:
    return desk.post("/orders/new", TYPED | changed)


def number_in(answer: httpx.Response) -> int:
    assert answer.status_code == 303, words(answer)
    found = re.search(r"/orders/(\d+)|after=(\d+)", answer.headers["location"])
    assert found is not None
    return int(found[1] or found[2])


def count(workshop: ClockedWorkshop, table: str) -> int:
    [(number,)] = rows(workshop.database, f"SELECT count(*) FROM {table}")
    return int(str(number))


def test_an_order_is_saved_with_all_that_was_typed(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    number = number_in(save(desk, then="open"))
    said = words(desk.get(f"/orders/{number}"))
    for part in ("Maren Oduya", "maren@oduya.example", "120 mm at the shoulder, standing, on oak",
                 "white stocking, left hind", "by phone", "paid in part"):  # fmt: skip
        assert part in said
    assert rows(workshop.database, "SELECT what, side FROM marks") == [
        ("white stocking, left hind", "left"), ("scar on the shoulder", "not_asked"),
    ]  # fmt: skip
    assert rows(workshop.database, "SELECT kind FROM news") == [("order_in",)]
    assert count(workshop, "status_links") == 1
    assert step_of(workshop.database, model_of(number, "A", workshop)) is Step.PHOTOS_WANTED


def test_several_animals_with_several_copies_get_their_codes(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    more = {"a1_name": "Otis", "a1c0_size": "60", "a1c1_size": "90", "a0c1_size": "60"}
    number = number_in(save(desk, **more))
    said = words(desk.get(f"/orders/{number}"))
    for code in ("A1", "A2", "B1", "B2"):
        assert f"{number}-{code}" in said
    assert "four copies" in said


def test_one_more_animal_and_one_more_copy_keep_everything_typed(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    before = fingerprint(workshop.folder.database_file)
    page = save(desk, more="animal", note="by the river")
    for name, value in TYPED.items():
        assert typed_in(page, name) == value, name
    assert typed_in(page, "note") == "by the river"
    assert 'name="a1_name"' in page.text
    page = save(desk, more="copy:0")
    for name, value in {"size": "120", "pose": "standing", "base": "oak"}.items():
        assert typed_in(page, f"a0c1_{name}") == value, "the next copy is like the one before it"
    assert typed_in(page, "a0c0_inscription") == "Juniper 2009"
    assert fingerprint(workshop.folder.database_file) == before


def test_what_is_wrong_is_said_at_its_field_and_all_is_kept(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    before = fingerprint(workshop.folder.database_file)
    page = save(
        desk, mail="nobody", needed_by="2026-03-01", a0c0_size="3", a1_name="Otis", a1c1_size="90",
        gift="1", note="n" * 2001,
    )  # fmt: skip
    assert page.status_code == 422
    assert "not an email address" in at_field(page, "mail")
    assert "past" in at_field(page, "needed_by")
    assert "Between" in at_field(page, "a0c0_size")
    assert "2000 at most" in at_field(page, "note")
    kept = TYPED | {
        "a0c0_size": "3",
        "mail": "nobody",
        "a1_name": "Otis",
        "a1c1_size": "90",
        "note": "n" * 2001,
    }
    for name, value in kept.items():
        assert typed_in(page, name) == value, name
    form = the_form(page.text, "/orders/new")
    assert form.ticked["gift"] == ["1"]
    assert form.fields["once"] == "a-key"
    assert "Four fields need another look" in words(page)
    assert fingerprint(workshop.folder.database_file) == before


def test_with_htmx_the_form_alone_comes_back(desk: Browser) -> None:
    page = desk.post("/orders/new", TYPED | {"name": ""}, **{"hx-request": "true"})
    assert page.status_code == 422
    assert "<html" not in page.text
    assert "has to be filled in" in at_field(page, "name")
    saved = desk.post("/orders/new", TYPED, **{"hx-request": "true"})
    assert saved.headers["hx-redirect"].startswith("/orders/1001")


def test_a_form_sent_twice_makes_one_order(desk: Browser, workshop: ClockedWorkshop) -> None:
    assert number_in(save(desk)) == number_in(save(desk)) == 1001
    assert [count(workshop, t) for t in ("orders", "customers", "animals", "news")] == [1, 1, 1, 1]
    assert number_in(save(desk, once="another", someone_else="1")) == 1002


def test_a_form_without_its_key_is_not_taken(desk: Browser, workshop: ClockedWorkshop) -> None:
    assert save(desk, once="").status_code == 422
    assert count(workshop, "orders") == 0


def test_save_and_another_offers_an_empty_form(desk: Browser) -> None:
    answer = save(desk, then="another")
    page = desk.get(answer.headers["location"])
    assert "Order 1001 is saved" in words(page)
    assert typed_in(page, "name") is None


# ---------------------------------------------------------------- who is known already


@pytest.mark.parametrize("typed", ["mar", "Oduya", "ÓDU", "maren@od", "555 0144"])
def test_a_returning_customer_is_found_while_typing(desk: Browser, typed: str) -> None:
    save(desk)
    said = words(desk.get(f"/orders/new/customers?name={typed}"))
    assert "Maren Oduya, maren@oduya.example: one order, Juniper" in said


@pytest.mark.parametrize("typed", ["", "m", "%", "_a", "\\", "Castellan", "x" * 500])
def test_nobody_is_found_where_nobody_is_meant(desk: Browser, typed: str) -> None:
    save(desk)
    assert "Back again" not in desk.get("/orders/new/customers").text
    assert desk.send("GET", "/orders/new/customers", params={"name": typed}).text.strip() == ""


def test_a_known_customer_is_taken_over_with_what_is_known(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    save(desk)
    page = desk.post("/orders/new", {"use": "customer:1", "once": "b", "a0_name": "Otis"})
    assert typed_in(page, "name") == "Maren Oduya"
    assert typed_in(page, "phone") == "0000 555 0144"
    assert typed_in(page, "a0_name") == "Otis"
    assert "one earlier order" in words(page)
    form = the_form(page.text, "/orders/new", "customer_id")
    number_in(desk.post("/orders/new", form.fields | {"mail": "other@oduya.example"}))
    assert count(workshop, "customers") == 1
    assert count(workshop, "customer_mails") == 2


def test_another_name_over_a_known_customer_is_asked_about(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    save(desk)
    page = save(desk, once="b", customer_id="1", name="Imre Castellan")
    assert page.status_code == 422
    assert "Maren Oduya's record" in at_field(page, "name")
    nobody = desk.post("/orders/new", TYPED | {"use": "nobody", "customer_id": "1"})
    assert not the_form(nobody.text, "/orders/new", "customer_id").fields["customer_id"]


def test_another_name_over_a_known_animal_is_another_animal(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    save(desk)
    number_in(save(desk, once="b", customer_id="1", a0_animal_id="1", a0_name="Fern"))
    assert rows(workshop.database, "SELECT name FROM animals") == [("Juniper",), ("Fern",)]


def test_what_is_said_anew_of_a_known_animal_is_kept_as_a_change(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    """Juniper has died since her first order came in: that order was one of a living animal."""
    number = number_in(save(desk))
    move(
        workshop.database,
        model_of(number, "A", workshop),
        CAST.desk,
        NOW + 60,
        "photos_counted",
        amount=20,
    )
    again = {"customer_id": "1", "a0_animal_id": "1"}
    number_in(save(desk, once="b", **again, a0_life="not_said"))
    assert count(workshop, "changes") == 0
    before = rows(workshop.database, "SELECT wanted FROM status_pages WHERE order_id = 1")
    workshop.moment += DAY
    number_in(save(desk, once="c", **again, a0_life="remembered"))
    assert rows(workshop.database, 'SELECT "of", of_id, field, before, after FROM changes') == [
        ("animals", 1, "life", "living", "remembered")
    ]
    after = rows(workshop.database, "SELECT wanted FROM status_pages WHERE order_id = 1")
    assert int(str(after[0][0])) > int(str(before[0][0]))
    with workshop.database.reading() as db:
        log = record.read(db).log
    assert log.marks["remembered"].tolist() == [0, 0, 0, 1]


def test_a_customer_who_is_gone_is_said(desk: Browser, workshop: ClockedWorkshop) -> None:
    for field in ("customer_id", "a0_animal_id"):
        page = save(desk, **{field: "77"})
        assert page.status_code == 422
        assert "record is gone" in words(page) or "is no longer here" in words(page)
    assert count(workshop, "orders") == 0


def test_the_email_field_finds_a_known_customer_too(desk: Browser) -> None:
    save(desk)
    found = words(desk.send("GET", "/orders/new/customers", params={"mail": "maren@odu"}))
    assert "Maren Oduya, maren@oduya.example: one order, Juniper" in found
    form = desk.get("/orders/new").text
    for name in ("name", "mail"):
        assert re.search(rf'name="{name}"[^>]*hx-target="#known-{name}"', form)
        assert f'id="known-{name}"' in form


def test_a_known_email_is_asked_about_before_a_second_record_is_made(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    save(desk)
    before = fingerprint(workshop.folder.database_file)
    again = {"once": "b", "name": "M. Oduya", "mail": "MAREN@oduya.example", "then": "another"}
    page = save(desk, **again)
    assert page.status_code == 422
    assert "Maren Oduya (one order: Juniper) has the same email address" in words(page)
    assert typed_in(page, "a0c0_inscription") == "Juniper 2009"
    assert fingerprint(workshop.folder.database_file) == before
    form = the_form(page.text, "/orders/new", "then")
    assert [value for name, value in form.buttons if name == "same"] == ["1", "nobody"]
    saved = desk.post("/orders/new", form.fields | {"same": "1"})
    assert saved.headers["location"].startswith("/orders/new?done=saved"), "as it was wanted before"
    assert number_in(saved) == 1002
    assert number_in(desk.post("/orders/new", form.fields | {"same": "1"})) == 1002, "a double tap"
    assert [count(workshop, t) for t in ("orders", "customers", "customer_mails")] == [2, 1, 1]
    number_in(save(desk, once="c", same="nobody"))
    assert count(workshop, "customers") == 2
    assert save(desk, once="d", same="77").status_code == 422


def test_the_last_address_is_offered_and_taken_over_with_one_tap(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    where = {
        "ship_name": "Ines Vale",
        "ship_lines": "4 Ferry Lane\r\nSaltmarsh",
        "ship_postcode": "SM1 2AB",
        "ship_country": "GB",
        "ship_phone": "0000 555 0199",
    }
    save(desk, **where)
    page = desk.post("/orders/new", {"use": "customer:1", "once": "b"})
    assert "Last sent to 4 Ferry Lane, Saltmarsh SM1 2AB GB" in words(page)
    assert not typed_in(page, "ship_lines"), "offered, not filled in unasked"
    form = the_form(page.text, "/orders/new", "customer_id")
    assert ("use", "address") in form.buttons
    page = desk.post("/orders/new", form.fields | {"use": "address", "a0_name": "Otis"})
    for name, value in where.items():
        assert typed_in(page, name) == value.replace("\r", ""), name
    assert typed_in(page, "a0_name") == "Otis"
    assert "Last sent to" not in words(page)


def test_what_a_known_animal_did_not_have_yet_is_kept(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    save(desk)
    page = desk.get("/orders/new?customer=1&animal=1")
    form = the_form(page.text, "/orders/new", "customer_id").fields | {"once": "b"}
    number_in(
        desk.post("/orders/new", form | {"a0_colours": "flea-bitten grey", "a0_sex": "female"})
    )
    assert rows(workshop.database, "SELECT field, before, after FROM changes") == [
        ("colours", "", "flea-bitten grey")
    ]


# ---------------------------------------------------------------- details, counts and limits


def test_every_detail_of_animal_and_copy_is_kept_and_carried_back(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    animal = {"colours": "grey, dappled", "age_shown": "7", "height": "15.2 hh", "breed": "Arab"}
    copy = {"finish": "matt", "extras": "ribbon in the box", "note": "mane to the left"}
    typed = {f"a0_{k}": v for k, v in animal.items()} | {f"a0c0_{k}": v for k, v in copy.items()}
    page = save(desk, **typed, more="animal")
    for name, value in typed.items():
        assert typed_in(page, name) == value, name
    number_in(save(desk, **typed))
    query = "SELECT colours, age_shown, height, breed FROM animals"
    assert rows(workshop.database, query) == [tuple(animal.values())]
    query = "SELECT finish, extras, bench_note FROM copies"
    assert rows(workshop.database, query) == [tuple(copy.values())]


def test_a_mark_without_a_side_is_said_so_at_once(desk: Browser, workshop: ClockedWorkshop) -> None:
    typed = "star, no side; split blaze (No side); stocking left hind; torn ear; no side"
    number_in(save(desk, a0_marks=typed))
    assert rows(workshop.database, "SELECT what, side FROM marks") == [
        ("star", "none"),
        ("split blaze", "none"),
        ("stocking left hind", "left"),
        ("torn ear", "not_asked"),
    ]


def test_a_line_counts_for_as_many_copies_as_it_says(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    more = {"a0c0_many": "3", "a0c1_size": "60", "a1_name": "Otis", "a1c0_size": ""}
    page = save(desk, **more, more="again")
    said = words(page)
    assert "A1–A3" in said
    assert "A4" in said
    assert "Two animals, five copies. Size missing: B1." in said
    number = number_in(save(desk, **more))
    found = rows(workshop.database, "SELECT letter, number, size_mm, inscription FROM copies")
    assert found == [
        *(("A", n, 120, "Juniper 2009") for n in (1, 2, 3)),
        ("A", 4, 60, ""),
        ("B", 1, None, ""),
    ]
    shown = desk.get(f"/orders/{number}").text
    assert shown.count('<span class="soon">size missing</span>') == 1


def test_more_copies_than_an_order_takes_are_said_at_the_line(desk: Browser) -> None:
    page = save(desk, a0c0_many="20", a0c1_many="5")
    assert "24 copies of one animal at most; these are 25" in at_field(page, "a0c1_many")
    assert typed_in(page, "a0c0_many") == "20"
    for wrong in ("0", "25", "many"):
        assert at_field(save(desk, a0c0_many=wrong), "a0c0_many")


def test_at_the_most_one_more_gives_way_to_a_sentence(desk: Browser) -> None:
    eleven = {f"a{n}_name": f"Goat {n}" for n in range(11)}
    page = save(desk, **eleven, more="again")
    assert ("more", "animal") in the_form(page.text, "/orders/new", "a0_name").buttons
    page = save(desk, **eleven, more="animal")
    assert ("more", "animal") not in the_form(page.text, "/orders/new", "a0_name").buttons
    assert "An order takes twelve animals at most." in words(page)
    page = save(desk, a0c0_many="24", more="copy:0")
    assert "An order takes 24 copies of one animal at most." in words(page)
    assert 'name="a0c1_size"' not in page.text
    assert ("more", "copy:0") not in the_form(page.text, "/orders/new", "a0_name").buttons


def test_the_largest_order_of_all_is_taken(desk: Browser, workshop: ClockedWorkshop) -> None:
    """Twelve animals with 24 lines each, every field sent."""
    typed = {f"a{n}_name": f"Goat {n}" for n in range(12)}
    names = ("size", "pose", "base", "inscription", "many", "finish", "extras", "note")
    typed |= {f"a{n}c{c}_{k}": "" for n in range(12) for c in range(24) for k in names}
    number_in(desk.post("/orders/new", {"once": "a", "name": "Maren Oduya", **typed}))
    assert count(workshop, "copies") == 288


# ---------------------------------------------------------------- on a model that is there


def test_a_follow_on_on_a_ready_model_begins_at_the_blank(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    first = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.PACKING)]
    )
    page = desk.get("/orders/new?customer=1&animal=1")
    form = the_form(page.text, "/orders/new")
    assert form.ticked["a0_ready_model"] == ["1"]
    number = number_in(desk.post("/orders/new", form.fields | {"a0_ready_model": "1"}))
    [copy] = copies_of(number, workshop)
    assert step_of(workshop.database, copy) is Step.BLANK
    assert count(workshop, "models") == 1
    assert "From the existing model" in words(desk.get(f"/orders/{number}"))
    assert step_of(workshop.database, first.copy()) is Step.PACKING


def test_without_the_tick_new_photos_are_wanted(desk: Browser, workshop: ClockedWorkshop) -> None:
    make_order(workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY)])
    form = the_form(desk.get("/orders/new?customer=1&animal=1").text, "/orders/new")
    number = number_in(desk.post("/orders/new", form.fields))
    assert step_of(workshop.database, model_of(number, "A", workshop)) is Step.PHOTOS_WANTED


def test_a_second_buyer_of_the_same_horse_waits_for_the_same_model(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    first = make_order(workshop.database, CAST.desk, NOW, [Wanted(step=Step.FINISHING)])
    form = the_form(desk.get("/orders/new?animal=1").text, "/orders/new")
    typed = {"name": "Sela Brook", "a0_ready_model": "1"}
    number = number_in(desk.post("/orders/new", form.fields | typed))
    [copy] = copies_of(number, workshop)
    assert step_of(workshop.database, copy) is Step.NOT_BEGUN
    assert count(workshop, "customers") == 2
    move(workshop.database, first.model(), CAST.finisher, NOW + 60, "model_finished")
    assert (
        step_of(workshop.database, copy) is step_of(workshop.database, first.copy()) is Step.BLANK
    )


# ---------------------------------------------------------------- under way


def bring_in(desk: Browser, n: int, step: str, copy: str = "") -> int:
    """An order of the old book, through the form; gives its number."""
    form = the_form(desk.get("/orders/new").text, "/orders/new")
    typed = {
        "name": f"Customer {n}", "under_way": "1", "taken_on": "2026-01-12", "a0_name": f"Animal {n}",
        "a0_step": step, "a0_since": "2026-02-20", "a0_pictures": "40", "a0c0_step": copy,
        "a0c0_since": "2026-02-27" if copy else "",
    }  # fmt: skip
    return number_in(desk.post("/orders/new", form.fields | typed))


def test_sixty_orders_are_brought_in_where_they_stand_and_nobody_is_written_to(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    stands = [("photos_wanted", ""), ("photos_in", ""), ("building", ""), ("assessing", ""),
              ("finishing", ""), ("ready", "blank"), ("ready", "shaping"), ("ready", "painting"),
              ("ready", "inspection"), ("ready", "packing"), ("ready", "handed_over")]  # fmt: skip
    numbers = [bring_in(desk, n, *stands[n % len(stands)]) for n in range(60)]
    assert numbers == list(range(1001, 1061))
    assert count(workshop, "news") == 0
    assert count(workshop, "letters") == 0
    assert rows(workshop.database, "SELECT DISTINCT time_is FROM transitions") == [("imported",)]
    assert rows(workshop.database, "SELECT count(*) FROM orders WHERE imported = 1") == [(60,)]
    begun = workshop.in_force().calendar.start_of
    [(since,)] = rows(
        workshop.database, "SELECT DISTINCT entered_at FROM copies WHERE step = 'painting'"
    )
    assert since == begun(date(2026, 2, 27)) + 12 * 3600
    said = words(desk.get("/orders/1008"))
    assert "All pieces: Painting" in said
    assert "brought in" in said
    assert "Taken 12 Jan" in said
    benches = words(desk.get("/"))
    assert "Animal 7" in benches


def test_the_status_page_of_an_order_under_way_says_where_it_is(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    painting, wanted = bring_in(desk, 1, "ready", "painting"), bring_in(desk, 2, "photos_wanted")
    rewrite_stale(workshop)
    for number, part in ((painting, "paint"), (wanted, "photo")):
        link = re.search(
            r'id="the-link" readonly value="([^"]+)"', desk.get(f"/orders/{number}").text
        )
        assert link is not None
        reader = Browser(customers_site(workshop.folder.pages))
        said = words(reader.get("/" + link[1].rstrip("/").rpartition("/")[2] + "/"))
        assert part in said.lower()


def test_showing_the_fields_of_under_way_keeps_what_was_typed(desk: Browser) -> None:
    page = save(desk, more="again", under_way="1")
    assert typed_in(page, "a0_name") == "Juniper"
    assert 'name="a0_step"' in page.text
    assert the_form(page.text, "/orders/new").ticked["under_way"] == ["1"]
    wrong = save(desk, under_way="1", a0_step="ready", a0_since="2026-02-01", a0c0_step="")
    assert "Say where this copy is" in at_field(wrong, "a0c0_step")


# ---------------------------------------------------------------- what else an order says


def test_the_first_number_is_a_setting_and_later_ones_follow(
    desk: Browser, owner: Browser, workshop: ClockedWorkshop
) -> None:
    form = the_form(owner.get("/settings").text, "/settings")
    sent = form.fields | form.ticked | {"first_number": "4200"}
    assert owner.post("/settings", sent).status_code == 303
    assert number_in(save(desk)) == 4200
    assert number_in(save(desk, once="b", someone_else="1")) == 4201


def test_a_gift_and_a_remembered_animal_are_kept_in_mind(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    typed = {"gift": "1", "gift_day": "2026-05-01", "a0_life": "remembered"}
    number = number_in(save(desk, **typed))
    said = words(desk.get(f"/orders/{number}"))
    assert "a gift for 1 May" in said
    assert "the parcel must not show what is inside" in said
    assert "Juniper has died." in said
    assert "no reminders go out automatically" in words(desk.get("/waiting"))


def test_an_honest_word_on_the_needed_day_says_what_it_assumes(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    workshop.set_forecast(workshop.pace(), {}, [20, 22, 26, 30, 35, 40, 44, 50])
    assert desk.get("/orders/new/chance?needed_by=").text == ""
    assert desk.get("/orders/new/chance?needed_by=9999-12-31").text == ""
    soon = words(desk.get("/orders/new/chance?needed_by=2026-03-20"))
    late = words(desk.get("/orders/new/chance?needed_by=2026-09-20"))
    assert "Hardly possible" in soon
    assert "Very likely" in late
    assert "if photos come and pass within" in late


@pytest.mark.parametrize("told", ["", "1"])
def test_the_chance_of_the_day_and_what_was_told_stay_with_the_order(
    desk: Browser, workshop: ClockedWorkshop, told: str
) -> None:
    workshop.set_forecast(workshop.pace(), {}, [20, 22, 26, 30, 35, 40, 44, 50])
    page = save(desk, needed_by="2026-03-20", more="animal")
    assert "Hardly possible by then" in words(page), "it does not vanish when the form is redrawn"
    number = number_in(save(desk, needed_by="2026-03-20", chance_told=told))
    said = words(desk.get(f"/orders/{number}"))
    assert "Asked: There by 20 March?" in said
    assert ("Said: Hardly possible by then" in said) is bool(told)
    assert ("not passed on: Hardly possible by then" in said) is not bool(told)
    workshop.set_forecast(workshop.pace(), {1: 0.31})
    assert "needed by 20 March, about 3 in 10 to be there" in words(desk.get(f"/orders/{number}"))
    number_in(save(desk, once="b", someone_else="1"))
    assert count(workshop, "contacts") == 1


def test_an_order_taken_before_today_keeps_its_day(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    number = number_in(save(desk, taken_on="2026-02-10"))
    [(taken, recorded)] = rows(workshop.database, "SELECT taken_at, recorded_at FROM orders")
    assert NOW - 23 * DAY < int(str(taken)) < NOW - 21 * DAY
    assert recorded == NOW
    assert "Taken 10 Feb" in words(desk.get(f"/orders/{number}"))


# The same person twice, and orders that bring something from before


def test_somebody_of_the_same_name_is_asked_about_before_a_second_record_is_made(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    number_in(save(desk))
    again = save(desk, once="two", mail="", name=f"  {TYPED['name'].upper()} ")
    assert again.status_code == 422
    assert "has the same name. Is it the same person?" in words(again)
    assert count(workshop, "customers") == 1
    form = the_form(again.text, "/orders/new")
    assert number_in(desk.post("/orders/new", {**form.fields, "same": "nobody"})) == 1002
    assert count(workshop, "customers") == 2
    other = save(desk, once="three", mail="someone@else.example")
    assert "has the same name." in words(other), "people have several addresses"
    form = the_form(other.text, "/orders/new")
    known = re.search(r'name="same" value="(\d+)"', other.text)
    assert known is not None
    assert number_in(desk.post("/orders/new", {**form.fields, "same": known[1]})) == 1003
    assert count(workshop, "customers") == 2


UNDER_WAY = TYPED | {
    "under_way": "1", "taken_on": "2026-02-10", "a0_step": "ready", "a0_since": "2026-02-12",
    "a0c0_step": "painting", "a0c0_since": "2026-02-20", "once": "under-way",
}  # fmt: skip


def test_an_order_under_way_keeps_its_number_and_the_next_one_follows_it(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    assert number_in(desk.post("/orders/new", UNDER_WAY | {"own_number": "2414"})) == 2414
    taken = desk.post(
        "/orders/new", UNDER_WAY | {"own_number": "2414", "once": "b", "someone_else": "1"}
    )
    assert taken.status_code == 422
    assert at_field(taken, "own_number") == "There is an order 2414 already."
    lower = UNDER_WAY | {"own_number": "77", "once": "c", "someone_else": "1"}
    assert number_in(desk.post("/orders/new", lower)) == 77
    assert number_in(save(desk, once="d", someone_else="1", own_number="5")) == 2415, "a new one"


@pytest.mark.parametrize("typed", ["0", "-1", "1.5", "10000000", "2414-A", "²"])
def test_a_number_that_will_not_do_is_said_at_its_field(desk: Browser, typed: str) -> None:
    answer = desk.post("/orders/new", UNDER_WAY | {"own_number": typed})
    assert answer.status_code == 422
    assert at_field(answer, "own_number")
    assert typed_in(answer, "own_number") == typed


def test_nothing_stands_anywhere_since_before_the_order_was_taken_on(desk: Browser) -> None:
    for field in ("a0_since", "a0c0_since"):
        answer = desk.post("/orders/new", UNDER_WAY | {field: "2026-02-09"})
        assert answer.status_code == 422
        assert at_field(answer, field) == "That is before the order was taken on."
    same_day = UNDER_WAY | {"a0_since": "2026-02-10", "a0c0_since": "2026-02-10"}
    assert desk.post("/orders/new", same_day).status_code == 303


def test_a_spelling_that_was_confirmed_before_is_not_asked_again(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    named = UNDER_WAY | {"a0c0_inscription": "Juniper 2019"}
    desk.post("/orders/new", named)
    desk.post("/orders/new", named | {"once": "b", "someone_else": "1", "spelling_confirmed": "1"})
    kept = rows(workshop.database, "SELECT order_id, spelling_confirmed_at FROM copies")
    assert {order: at is not None for order, at in kept} == {1: False, 2: True}
