"""The find box and the Answers page, through the whole staff site."""

import re

import pytest
from sqlalchemy import delete, insert, select

from app.flow.steps import Step
from app.orders.forecast.worker import points_json
from app.tables import animals, contacts, customer_mails, customers, forecasts, orders
from tests.desk.test_longer import to_tell
from tests.making import CAST, NOW, MadeOrder, Wanted, make_order, rows, walk
from tests.orders.facts.test_to_tell import running_late
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words


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
    assert f"order {late.number}" in to_tell(desk)
    where = f"/orders/{late.number}/answers"
    note = {"question": "How long?", "told": "As long as the page says.", "channel": "phone"}
    assert desk.post(where, note).status_code == 303
    told = "SELECT count(*) FROM tellings WHERE order_id = ?"
    assert rows(workshop.database, told, late.id) == [(1,)], "the range is not told anew"
    assert f"order {late.number}" in to_tell(desk), "and its two days go on"


def test_an_answer_keeps_the_range_that_holds(workshop: ClockedWorkshop, desk: Browser) -> None:
    fine = running_late(workshop, since=None, end=40)
    note = {"question": "How long?", "told": "As long as the page says.", "channel": "phone"}
    assert desk.post(f"/orders/{fine.number}/answers", note).status_code == 303
    told = "SELECT channel FROM tellings WHERE order_id = ? ORDER BY id"
    assert rows(workshop.database, told, fine.id) == [("page",), ("phone",)]


# ---------------------------------------------------------------- a day that is asked about


def test_a_day_is_answered_with_its_chance_now_and_kept(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    made = forecast(workshop, [5, 6, 8, 10, 12, 14, 16, 20])
    page = desk.get(f"/orders/{made.number}")
    assert f'action="/orders/{made.number}/answers"' in page.text, "the order page asks there too"
    page = desk.get(f"/orders/{made.number}/answers?by=2026-03-15")
    said = words(page)
    assert "About 6 in 10 to be there by Sun 15 Mar" in said
    assert (
        "about six in ten orders like this would be with you by then, with a day on the way" in said
    )
    assert page.text.index("Can it be there by 15 March?") < page.text.index("Did my photos")
    text = re.search(r'<textarea id="t-by_a_day"[^>]*>(.*?)</textarea>', page.text, re.DOTALL)
    assert text is not None
    note = {"question": "Can it be there by 15 March?", "told": text.group(1), "channel": "phone"}
    assert desk.post(f"/orders/{made.number}/answers", note).status_code == 303
    said = words(desk.get(f"/orders/{made.number}"))
    assert "Asked: Can it be there by 15 March?" in said
    assert "about six in ten orders" in said
    assert "phone" in said


@pytest.mark.parametrize(
    ("by", "says"),
    [("2026-03-05", "hardly"), ("2026-06-01", "very likely"), ("2026-03-12", "two in ten")],
)
def test_the_chance_is_said_in_words(
    workshop: ClockedWorkshop, desk: Browser, by: str, says: str
) -> None:
    made = forecast(workshop, [5, 6, 8, 10, 12, 14, 16, 20])
    assert says in words(desk.get(f"/orders/{made.number}/answers?by={by}"))


def test_before_the_photos_have_passed_their_usual_days_come_on_top(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    points = [5, 6, 8, 10, 12, 14, 16, 20]
    wanted = forecast(workshop, points, step=Step.PHOTOS_WANTED)
    assert "hardly" in words(desk.get(f"/orders/{wanted.number}/answers?by=2026-03-12"))


def test_a_day_is_not_answered_while_the_dates_are_worked_out(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    made = forecast(workshop, [5, 6, 8, 10, 12, 14, 16, 20], stale=1)
    said = words(desk.get(f"/orders/{made.number}/answers?by=2026-03-15"))
    assert "The dates are being worked out" in said
    assert "in ten orders" not in said


@pytest.mark.parametrize("by", ["soon", "2026-13-40", "2026-03-04", "2025-01-01"])
def test_a_day_that_is_none_is_said_at_its_field(
    workshop: ClockedWorkshop, desk: Browser, by: str
) -> None:
    made = forecast(workshop, [5, 6, 8, 10, 12, 14, 16, 20])
    page = desk.get(f"/orders/{made.number}/answers?by={by}")
    assert page.status_code == 422
    assert 'id="e-by"' in page.text
    assert f'value="{by}"' in page.text


def forecast(
    workshop: ClockedWorkshop, days: list[int], *, step: Step = Step.FINISHING, stale: int = 0
) -> MadeOrder:
    """An order whose forecast, made now, has these days at its points."""
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper", step=step)])
    with workshop.database.writing() as db:
        db.execute(delete(forecasts).where(forecasts.c.order_id == made.id))
        db.execute(
            insert(forecasts).values(
                order_id=made.id, computed_at=NOW, points=points_json(days), basis="own",
                inputs="1", stale=stale,
            )
        )  # fmt: skip
    return made


def test_orders_past_the_day_last_told_and_those_at_risk_are_lists_with_names(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    past = running_late(workshop, since=None, end=-2)
    fine = make_order(workshop.database, CAST.desk, NOW, [Wanted("Otis")], needed_by="2026-06-01")
    risk = make_order(
        workshop.database, CAST.desk, NOW, [Wanted("Fern")], customer="Maren Oduya",
        needed_by="2026-03-20",
    )  # fmt: skip
    workshop.set_forecast(workshop.pace(), {fine.id: 0.95, risk.id: 0.3})

    def shown(show: str) -> list[str]:
        page = desk.get(f"/orders?show={show}").text
        return re.findall(r'<td><a href="/orders/(\d+)"', page)

    assert shown("past") == [str(past.number)]
    assert shown("risk") == [str(risk.number)]
    assert "Maren Oduya" in desk.get("/orders?show=risk").text
    assert "about 3 in 10" in desk.get("/orders?show=risk").text
    assert 'href="/orders?show=risk"' in desk.get("/waiting").text
