"""A parcel on its way: late, arrived, taken to have arrived, and its number put right."""

from datetime import date

import pytest
from sqlalchemy import insert, update

from app.flow import amendments
from app.flow.steps import Step
from app.orders.facts.gather import facts_of
from app.parcels import arriving
from app.parcels.actions import ParcelFields, hand_over
from app.parcels.rules import assumed_on
from app.tables import carriers, news, settings
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import at_field, free_to_leave, the_form, words

PACKED = [Wanted(step=Step.READY, copy_step=Step.PACKING)]
GOOSE = "TG1000000001"
GULL = "TG2000000002"


@pytest.fixture
def listed(workshop: ClockedWorkshop) -> ClockedWorkshop:
    """A studio with a carrier: one to three working days at home, claims within ten."""
    with workshop.database.writing() as db:
        db.execute(insert(settings).values(name="country", value='"GB"', changed_at=NOW))
        db.execute(
            insert(carriers).values(
                name="Parcel Goose", tracking="https://goose.example/{number}", home="1 to 3",
                abroad="", claim_days=10, texts=1, place=1,
            )
        )  # fmt: skip
    workshop.forget()
    return workshop


def sent(workshop: ClockedWorkshop, number: str, customer: str, **order: object) -> MadeOrder:
    """An order of one copy that left with the carrier on NOW, Wednesday 4 March 2026."""
    made = make_order(workshop.database, CAST.desk, NOW - DAY, PACKED, customer=customer, **order)
    free_to_leave(workshop, made)
    typed = ParcelFields(carrier="Parcel Goose", number=number)
    hand_over(workshop, [made.copy().id], typed, None, CAST.desk)
    return made


def told(workshop: ClockedWorkshop) -> None:
    """The letters that say so have gone."""
    with workshop.database.writing() as db:
        db.execute(update(news).where(news.c.kind == "handed_over").values(told_at=NOW))


def numbers(workshop: ClockedWorkshop) -> list[object]:
    return [row[0] for row in rows(workshop.database, "SELECT number FROM parcels ORDER BY id")]


# ---------------------------------------------------------------- late, and arrived


def test_what_was_told_when_it_left_does_not_change_with_the_list(
    desk: Browser, listed: ClockedWorkshop
) -> None:
    made = sent(listed, GOOSE, "Maren Oduya")
    with listed.database.writing() as db:
        db.execute(update(carriers).values(home="20 to 30"))
    listed.forget()
    later = sent(listed, GULL, "Imre Castellan")
    usual = "Usually there between Thu 5 Mar and Mon 9 Mar."
    assert usual in words(desk.get("/parcels/1"))
    assert usual not in words(desk.get("/parcels/2"))
    with listed.database.reading() as db:
        first, second = (facts_of(db, one.id, listed.in_force(), NOW) for one in (made, later))
    assert first.parcels[0].usual == (date(2026, 3, 5), date(2026, 3, 9))
    assert second.parcels[0].usual == (date(2026, 4, 1), date(2026, 4, 15))
    listed.moment = NOW + 6 * DAY
    waiting = words(desk.get("/waiting"))
    assert GOOSE in waiting
    assert GULL not in waiting


def test_a_parcel_past_its_usual_days_stands_on_waiting_with_what_to_do(
    desk: Browser, listed: ClockedWorkshop
) -> None:
    sent(listed, GOOSE, "Maren Oduya", gift=1)
    usual = "Usually there between Thu 5 Mar and Mon 9 Mar. Claims by Sat 14 Mar."
    assert usual in words(desk.get("/parcels/1"))
    listed.moment = NOW + 5 * DAY  # Monday 9 March, the last of the usual days
    assert "None. Parcels later than their carrier usually takes" in words(desk.get("/waiting"))
    listed.moment = NOW + 6 * DAY
    page = desk.get("/waiting")
    said = words(page)
    assert (
        "was due Mon 9 Mar Parcel Goose TG1000000001, one piece to Maren Oduya, order 1001" in said
    )
    assert "a gift: speak only with who ordered it" in said
    assert "Claim by Sat 14 Mar." in said
    assert 'href="https://goose.example/TG1000000001"' in page.text
    said = words(desk.get("/parcels/1"))
    assert "▲ It should be there by now: with Parcel Goose it usually arrives by Mon 9 Mar." in said
    assert "writes to the recipient by itself" in said, "which would give the gift away"


@pytest.mark.parametrize(
    ("word", "kept"), [("carrier", "carrier’s word"), ("customer", "customer’s")]
)
def test_it_arrives_by_somebodys_word_and_is_late_no_more(
    desk: Browser, listed: ClockedWorkshop, word: str, kept: str
) -> None:
    sent(listed, GOOSE, "Maren Oduya")
    listed.moment = NOW + 6 * DAY
    form = the_form(desk.get("/parcels/1").text, "/parcels/1/received")
    typed = {**form.fields, "word": word, "sent_on": "2026-03-09"}
    assert desk.post("/parcels/1/received", typed).status_code == 303
    [(reason, how)] = rows(
        listed.database, "SELECT reason, time_is FROM transitions WHERE move = 'received'"
    )
    assert kept in str(reason)
    assert how == "typed"
    assert "Parcel Goose" not in words(desk.get("/waiting"))


def test_by_nobodys_word_is_no_word(desk: Browser, listed: ClockedWorkshop) -> None:
    sent(listed, GOOSE, "Maren Oduya")
    page = desk.post("/parcels/1/received", {"word": "the neighbour", "once": "x"})
    assert page.status_code == 422
    assert at_field(page, "word")


# ---------------------------------------------------------------- taken to have arrived


def test_a_week_past_the_usual_days_at_the_earliest() -> None:
    """Counted by hand: 14 days from Wednesday 4 March, or 7 from the last of the usual days."""
    left = date(2026, 3, 4)
    assert assumed_on(left, None, 14) == date(2026, 3, 18)
    assert assumed_on(left, (date(2026, 3, 5), date(2026, 3, 9)), 14) == date(2026, 3, 18)
    assert assumed_on(left, (date(2026, 3, 9), date(2026, 3, 20)), 14) == date(2026, 3, 27)


def test_it_is_taken_to_have_arrived_once_and_told_as_that(listed: ClockedWorkshop) -> None:
    sent(listed, GOOSE, "Maren Oduya")
    listed.moment = NOW + 13 * DAY
    assert arriving.assume(listed) == 0
    listed.moment = NOW + 14 * DAY
    assert arriving.assume(listed) == 1
    assert rows(
        listed.database, "SELECT time_is, account_id FROM transitions WHERE move = 'received'"
    ) == [("assumed", None)]
    assert rows(listed.database, "SELECT step FROM copies") == [("received",)]
    kept = "SELECT count(*) FROM news WHERE kind = 'received' AND taken_back_at IS NULL"
    assert rows(listed.database, kept) == [(1,)]
    assert arriving.assume(listed) == 0


def test_what_long_should_have_been_assumed_is_no_news(listed: ClockedWorkshop) -> None:
    sent(listed, GOOSE, "Maren Oduya")
    listed.moment = NOW + 60 * DAY
    assert arriving.assume(listed) == 1
    kept = "SELECT count(*) FROM news WHERE kind = 'received' AND taken_back_at IS NULL"
    assert rows(listed.database, kept) == [(0,)]


def test_what_somebody_says_did_not_arrive_is_never_assumed_again(listed: ClockedWorkshop) -> None:
    sent(listed, GOOSE, "Maren Oduya")
    listed.moment = NOW + 14 * DAY
    arriving.assume(listed)
    [(entry,)] = rows(listed.database, "SELECT id FROM transitions WHERE move = 'received'")
    amendments.undo(listed.database, int(str(entry)), CAST.desk, listed.moment)
    assert rows(listed.database, "SELECT step FROM copies") == [("handed_over",)]
    listed.moment = NOW + 20 * DAY
    assert arriving.assume(listed) == 0


def test_what_is_collected_counts_its_days_too_and_what_is_on_hold_waits(
    listed: ClockedWorkshop,
) -> None:
    sent(listed, GOOSE, "Maren Oduya")
    with listed.database.writing() as db:
        db.exec_driver_sql("UPDATE parcels SET way = 'collected', carrier = '', number = ''")
        db.exec_driver_sql("UPDATE copies SET hold_whose = 'customer'")
    listed.moment = NOW + 15 * DAY
    assert arriving.assume(listed) == 0
    with listed.database.writing() as db:
        db.exec_driver_sql("UPDATE copies SET hold_whose = ''")
    assert arriving.assume(listed) == 1


# ---------------------------------------------------------------- numbers put right


def swap_form(desk: Browser, parcel: int) -> dict[str, str]:
    return dict(the_form(desk.get(f"/parcels/{parcel}").text, f"/parcels/{parcel}/swap").fields)


def test_two_numbers_are_exchanged_in_one_act_and_each_customer_may_be_told(
    desk: Browser, listed: ClockedWorkshop
) -> None:
    first, second = sent(listed, GOOSE, "Maren Oduya"), sent(listed, GULL, "Sela Brook")
    told(listed)
    listed.moment = NOW + DAY
    form = {**swap_form(desk, 1), "other": f"2:{GULL}"}
    assert desk.post("/parcels/1/swap", form).status_code == 303
    assert numbers(listed) == [GULL, GOOSE]
    noted = "SELECT order_id, before, after FROM changes WHERE field = 'number' ORDER BY order_id"
    assert rows(listed.database, noted) == [
        (first.id, f"Parcel Goose {GOOSE}", f"Parcel Goose {GULL}"),
        (second.id, f"Parcel Goose {GULL}", f"Parcel Goose {GOOSE}"),
    ]
    assert rows(listed.database, "SELECT count(*) FROM news WHERE kind = 'number_corrected'") == [
        (0,)
    ], "nothing goes by itself"
    at = listed.moment
    for order, number in ((first, GULL), (second, GOOSE)):
        address = f"/orders/{order.number}/write/number_corrected/{at}"
        assert address in desk.get(f"/orders/{order.number}").text
        shown = words(desk.get(address))
        assert "What we told you about how your parcel travels wasn’t right" in shown
        assert f"its number is {number}" in shown
        assert f"https://goose.example/{number}" in shown
        assert desk.post(address, {"act": "tell", "line": ""}).status_code == 303
        assert address not in desk.get(f"/orders/{order.number}").text
    kinds = "SELECT order_id, round FROM news WHERE kind = 'number_corrected' ORDER BY order_id"
    assert rows(listed.database, kinds) == [(first.id, at), (second.id, at)]
    assert desk.post("/parcels/1/swap", form).status_code == 409, "a second tap exchanges nothing"
    assert numbers(listed) == [GULL, GOOSE]


def test_a_number_no_letter_has_named_yet_is_put_right_without_another_letter(
    desk: Browser, listed: ClockedWorkshop
) -> None:
    made = sent(listed, GOOSE, "Maren Oduya")
    form = the_form(desk.get("/parcels/1").text, "/parcels/1/number").fields
    assert desk.post("/parcels/1/number", {**form, "number": "tg 3000-000003"}).status_code == 303
    assert numbers(listed) == ["TG3000000003"], "cleaned"
    assert "/write/number_corrected/" not in desk.get(f"/orders/{made.number}").text
    assert rows(listed.database, "SELECT corrected_at FROM parcels") == [(None,)]


def test_a_number_that_is_missing_or_stands_on_another_parcel_is_asked_about_once(
    desk: Browser, listed: ClockedWorkshop
) -> None:
    sent(listed, GOOSE, "Maren Oduya")
    sent(listed, GULL, "Sela Brook")
    form = the_form(desk.get("/parcels/2").text, "/parcels/2/number").fields
    for number, why in (("", "nobody can follow"), (f" {GOOSE[:4]} {GOOSE[4:]}", "Parcel 1 (")):
        page = desk.post("/parcels/2/number", {**form, "number": number})
        assert page.status_code == 422
        assert why in at_field(page, "number")
        assert numbers(listed) == [GOOSE, GULL]
        again = the_form(page.text, "/parcels/2/number")
        assert desk.post("/parcels/2/number", {**again.fields, "sure": "1"}).status_code == 303
        listed.moment += 1
        desk.post("/parcels/2/number", {**form, "number": GULL})
    other = {**form, "carrier": "Harbour Post", "number": GOOSE}
    assert desk.post("/parcels/2/number", other).status_code == 303, "another carrier's own"


@pytest.mark.parametrize(
    "other", ["", "2", "1:TG1000000001", "99:", "0:x", "x:y", "2:TG9", "9" * 40, "2:\u202e"]
)
def test_an_exchange_that_is_none_changes_nothing(
    desk: Browser, listed: ClockedWorkshop, other: str
) -> None:
    sent(listed, GOOSE, "Maren Oduya")
    sent(listed, GULL, "Sela Brook")
    form = {**swap_form(desk, 1), "other": other}
    assert 400 <= desk.post("/parcels/1/swap", form).status_code < 500
    assert numbers(listed) == [GOOSE, GULL]


def test_handing_over_asks_once_about_a_missing_number_and_keeps_a_yes(
    desk: Browser, listed: ClockedWorkshop
) -> None:
    made = make_order(listed.database, CAST.desk, NOW - DAY, PACKED, gift=1)
    free_to_leave(listed, made)
    page = desk.get(f"/parcels/new?copy={made.copy().id}")
    assert "Parcel Goose writes to the recipient unasked" in words(page), "of a gift"
    typed = {**the_form(page.text, "/parcels/new").fields, "copy": str(made.copy().id)}
    asked = desk.post("/parcels/new", {**typed, "carrier": "Parcel Goose", "number": " - "})
    assert asked.status_code == 422
    assert "nobody can follow the parcel" in at_field(asked, "number")
    assert rows(listed.database, "SELECT step FROM copies") == [("packing",)]
    again = {**the_form(asked.text, "/parcels/new").fields, "copy": str(made.copy().id)}
    assert desk.post("/parcels/new", {**again, "sure": "1"}).status_code == 303
    assert numbers(listed) == [""]
