"""It takes longer: told to many with one cause, and what they answer."""

from sqlalchemy import insert, update

from app.letters import forming
from app.tables import customer_mails, forecasts
from tests.making import CAST, DAY, NOW, MadeOrder, rows
from tests.orders.facts.test_to_tell import running_late
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import the_form, words

CAUSE = "The oven that hardens the paint is being repaired."
LIST = "/waiting/longer"


def late(workshop: ClockedWorkshop, how_many: int) -> list[MadeOrder]:
    """Orders that run over, each of a customer with an address."""
    made = []
    for _ in range(how_many):
        with workshop.database.reading() as db:
            kept = db.execute(forecasts.select()).mappings().all()
        made.append(running_late(workshop, since=-1, end=8))
        with workshop.database.writing() as db:
            for row in kept:
                db.execute(forecasts.delete().where(forecasts.c.order_id == row["order_id"]))
                db.execute(insert(forecasts).values(**row))
            db.execute(
                insert(customer_mails).values(
                    customer_id=made[-1].customer_id, mail="i@castellan.example",
                    mail_key=f"i{made[-1].id}@castellan.example", receives=1,
                )
            )  # fmt: skip
    return made


def tellings(workshop: ClockedWorkshop, order: MadeOrder) -> list[tuple[object, ...]]:
    return rows(
        workshop.database,
        "SELECT channel, cause, answer FROM tellings WHERE order_id = ? ORDER BY id", order.id,
    )  # fmt: skip


def to_tell(desk: Browser) -> str:
    """The part of the work list that names those who should hear that it takes longer."""
    page = words(desk.get("/waiting"))
    return page.partition("Tell them it takes longer")[2].partition("Tell several at once")[0]


def test_each_email_is_read_before_any_goes_and_one_cause_stands_in_all(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    one, other, third = late(workshop, 3)
    said = words(desk.get(LIST))
    assert all(f"order {order.number}" in said for order in (one, other, third))
    ticked = {"order": [str(one.number), str(other.number)], "cause": CAUSE}
    page = desk.post(LIST, {**ticked, "act": "look"})
    assert page.status_code == 200
    assert page.text.count(CAUSE) == 3, "in both emails and in what is sent on"
    assert "Nothing has been sent yet" in words(page)
    assert rows(workshop.database, "SELECT count(*) FROM news WHERE kind = 'running_later'") == [
        (0,)
    ]
    assert desk.post(LIST, {**ticked, "act": "tell"}).status_code == 303
    assert tellings(workshop, one)[-1] == ("letter", CAUSE, "none")
    assert tellings(workshop, other)[-1] == ("letter", CAUSE, "none")
    assert len(tellings(workshop, third)) == 1
    left = words(desk.get(LIST)).partition("Who was told, and their answers")
    assert f"order {third.number}" in left[0]
    assert f"order {one.number}" not in left[0]
    assert f"order {one.number}" in left[2]
    assert "no answer yet" in left[2]


def test_the_letter_that_is_formed_says_the_cause_and_the_new_days(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    [one] = late(workshop, 1)
    read = desk.post(LIST, {"order": [str(one.number)], "cause": CAUSE, "act": "look"})
    desk.post(LIST, {"order": [str(one.number)], "cause": CAUSE, "act": "tell"})
    forming.form_due(workshop.database, workshop.in_force(), workshop.now(), only=one.id)
    [(number,)] = rows(workshop.database, "SELECT max(id) FROM letters")
    letter = words(desk.get(f"/letters/{number}"))
    assert CAUSE in letter
    days = letter.partition("most likely ready to leave us between")[2].partition(".")[0]
    assert days
    assert days in words(read), "it goes as it was read"


def test_one_that_cannot_be_told_is_named_and_nobody_is_told(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    one, other = late(workshop, 2)
    desk.post(LIST, {"order": [str(other.number)], "act": "tell"})
    both = {"order": [str(one.number), str(other.number)], "cause": CAUSE, "act": "tell"}
    page = desk.post(LIST, both)
    assert page.status_code == 409
    assert f"Order {other.number}: That email already waits to go out." in words(page)
    assert CAUSE in page.text, "what was typed stays"
    assert len(tellings(workshop, one)) == 1


def test_nothing_ticked_and_a_cause_that_is_too_long_are_said(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    [one] = late(workshop, 1)
    page = desk.post(LIST, {"cause": CAUSE, "act": "look"})
    assert page.status_code == 422
    assert "Tick at least one order" in words(page)
    assert CAUSE in page.text
    page = desk.post(LIST, {"order": [str(one.number)], "cause": "x" * 3000, "act": "look"})
    assert page.status_code == 422
    assert 'id="e-cause"' in page.text


def test_who_waits_leaves_the_list_until_the_range_moves_again(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    [one] = late(workshop, 1)
    assert f"order {one.number}" in to_tell(desk)
    answer = {"answer": "waits", "channel": "phone"}
    assert desk.post(f"/orders/{one.number}/letters/answer", answer).status_code == 303
    assert tellings(workshop, one)[-1] == ("phone", "", "waits")
    assert "the customer waits" in words(desk.get(f"/orders/{one.number}"))
    assert f"order {one.number}" not in to_tell(desk)
    assert "the customer waits" in words(desk.get(LIST))
    with workshop.database.writing() as db:
        moved = {"points": '{"10": 40, "85": 70}', "later_since": "2026-03-03", "stale": 0}
        db.execute(update(forecasts).values(**moved, computed_at=NOW + 2 * DAY))
    workshop.moment = NOW + 2 * DAY
    assert f"order {one.number}" in to_tell(desk)


def test_an_answer_to_the_letter_is_kept_with_it(workshop: ClockedWorkshop, desk: Browser) -> None:
    [one] = late(workshop, 1)
    desk.post(LIST, {"order": [str(one.number)], "cause": CAUSE, "act": "tell"})
    where = f"/orders/{one.number}/letters/answer"
    page = desk.post(where, {"answer": "cancels", "channel": "mail", "back": LIST})
    assert page.headers["location"].startswith(LIST)
    assert tellings(workshop, one)[-1] == ("letter", CAUSE, "cancels")
    assert "the customer cancels" in words(desk.get(LIST))
    assert "the customer cancels" in words(desk.get(f"/orders/{one.number}"))
    assert desk.post(where, {"answer": "perhaps"}).status_code == 422


def test_one_who_cancels_leads_to_the_form_that_cancels_and_nothing_is_cancelled_by_itself(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    [one] = late(workshop, 1)
    form = f"/orders/{one.number}?form=cancel#cancel"
    assert form not in desk.get(LIST).text
    where, typed = f"/orders/{one.number}/letters/answer", {"answer": "cancels", "channel": "mail"}
    assert desk.post(where, typed).headers["location"].endswith("&form=cancel#cancel")
    assert form in desk.get(LIST).text
    page = desk.get(f"/orders/{one.number}?done=noted&form=cancel")
    assert '<details id="cancel" open>' in page.text
    filled = the_form(page.text, f"/orders/{one.number}/cancel")
    assert filled.fields["reason"] == "Told that it takes longer, the customer cancels."
    assert filled.fields["whose"] == "customer"
    assert rows(workshop.database, "SELECT open FROM orders") == [(1,)]
    assert desk.post(filled.action, filled.fields).status_code == 303
    assert rows(workshop.database, "SELECT open FROM orders") == [(0,)]


def test_the_bench_tells_nobody(workshop: ClockedWorkshop, painter: Browser) -> None:
    [one] = late(workshop, 1)
    assert painter.get(LIST).status_code == 403
    assert painter.post(LIST, {"order": [str(one.number)], "act": "tell"}).status_code == 403
    assert len(tellings(workshop, one)) == 1
    assert CAST.painter.role == "bench"
