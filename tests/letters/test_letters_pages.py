"""The staff's pages of letters, as the browser gets them."""

import pytest
from fastapi.routing import APIRoute

from app.flow.steps import Step
from app.letters import by_hand
from app.letters import pages as letters_pages
from app.letters import worker as letters_worker
from app.letters.post import MailRefused
from app.letters.rules import KINDS
from app.main import staff_site
from app.orders.facts.gather import facts_of
from app.orders.order.asking import QuestionFields, ask
from app.staff import permissions
from app.status.tasks import tasks
from app.status.voice import Days
from tests.letters.studio import MINUTE, LetterShop, files, kinds, letters, ordered
from tests.making import CAST, DAY, HOUR, MadeOrder, Wanted, make_order, move, rows
from tests.staff.browser import Browser


@pytest.fixture
def browser(workshop: LetterShop) -> Browser:
    return Browser(staff_site(workshop)).as_(workshop, CAST.desk)


def test_every_route_has_its_row() -> None:
    names = {route.name for route in letters_pages.router.routes if isinstance(route, APIRoute)}
    assert len(names) == 13
    assert names <= set(permissions.TABLE)


def test_what_waits_is_shown_with_its_hour_and_can_go_now(
    workshop: LetterShop, browser: Browser
) -> None:
    order = ordered(workshop)
    page = browser.get("/letters")
    assert page.status_code == 200
    assert "Goes out today, 10:15." in page.text
    assert "Order in" in page.text
    answer = browser.post(f"/letters/news/{order.id}/now")
    assert answer.status_code == 303
    assert letters_worker.send_round(workshop).sent == 1
    went = browser.get("/letters?which=went").text
    assert f"Juniper: your order {order.number} is in" in went
    assert "sent today" in went


def test_a_letter_of_an_order_that_does_not_exist_cannot_go_now(
    workshop: LetterShop, browser: Browser, caplog: pytest.LogCaptureFixture
) -> None:
    answer = browser.post("/letters/news/987654/now")
    assert answer.status_code == 404
    assert "There is no such order." in answer.text
    assert letters(workshop) == []
    assert not [entry for entry in caplog.records if entry.levelname == "ERROR"]


def test_one_order_can_be_held_and_let_go(workshop: LetterShop, browser: Browser) -> None:
    order = ordered(workshop)
    browser.post(f"/letters/news/{order.id}/hold", {"order": str(order.number)})
    assert workshop.post(HOUR) == 0
    assert (
        "On hold until somebody releases it." in browser.get(f"/orders/{order.number}/letters").text
    )
    answer = browser.post(f"/letters/news/{order.id}/go", {"order": str(order.number)})
    assert answer.headers["location"] == f"/orders/{order.number}/letters?done=saved"
    assert workshop.post(MINUTE) == 1


def test_a_formed_letter_can_be_held_sent_and_dropped(
    workshop: LetterShop, browser: Browser
) -> None:
    ordered(workshop)
    workshop.moment += 15 * MINUTE
    letters_worker.form_round(workshop)
    browser.post("/letters/1/hold")
    assert letters(workshop)[0][1::3] == ("held", by_hand.BY_HAND)
    assert "Release" in browser.get("/letters?which=held").text
    browser.post("/letters/1/again")
    assert letters(workshop)[0][1] == "waiting"
    browser.post("/letters/1/drop")
    assert letters(workshop)[0][1] == "dropped"
    assert browser.post("/letters/1/again").status_code == 409
    assert browser.post("/letters/77/again").status_code == 404


def test_a_dead_letter_is_seen_with_its_reason_and_sent_by_hand(
    workshop: LetterShop, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(mail: object, name: str) -> None:
        raise MailRefused("The mail server refused the recipient: 550 no such user")

    ordered(workshop)
    with monkeypatch.context() as patch:
        patch.setattr(letters_worker, "way_of", lambda _: refuses)
        workshop.post(15 * MINUTE)
    page = browser.get("/letters?which=dead").text
    assert "550 no such user" in page
    assert "Send again" in page
    browser.post("/letters/1/again")
    assert letters_worker.send_round(workshop).sent == 1


def test_a_letter_is_read_as_text_and_as_html_that_can_do_nothing(
    workshop: LetterShop, browser: Browser
) -> None:
    ordered(workshop)
    workshop.post(15 * MINUTE)
    assert "Thank you for your order." in browser.get("/letters/1").text
    twin = browser.get("/letters/1/html")
    assert "Thank you for your order." in twin.text
    policy = twin.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "sandbox" in policy
    assert "frame-ancestors 'none'" in policy
    assert twin.headers["x-content-type-options"] == "nosniff"
    assert twin.headers["cache-control"] == "no-store"


@pytest.mark.parametrize("tone", ["own", "plain", "gift", "remembered"])
def test_every_kind_can_be_read_beforehand(
    workshop: LetterShop, browser: Browser, tone: str
) -> None:
    order = ordered(workshop, [Wanted("Juniper", 2), Wanted("Otis", 1)])
    for kind in KINDS:
        page = browser.get(f"/orders/{order.number}/letters?kind={kind}&tone={tone}")
        assert page.status_code == 200, (kind, tone)
        assert f"Order {order.number}" in page.text
        twin = browser.get(f"/orders/{order.number}/letters/html?kind={kind}&tone={tone}")
        assert twin.status_code == 200
    assert kinds(workshop) == []
    assert browser.get(f"/orders/{order.number}/letters?kind=spam").status_code == 404


def test_what_waits_for_an_order_can_be_read_before_it_goes(
    workshop: LetterShop, browser: Browser
) -> None:
    order = ordered(workshop)
    page = browser.get(f"/orders/{order.number}/letters")
    assert "Preview: Juniper: your order" in page.text
    assert "Thank you" in browser.get(f"/orders/{order.number}/letters/html?kind=next").text


def test_running_later_goes_only_on_a_persons_yes_and_is_kept_as_told(
    workshop: LetterShop, browser: Browser
) -> None:
    order = ordered(workshop)
    for n, key in enumerate(("photos_counted", "build_started", "build_finished", "good")):
        move(workshop.database, order.model(), CAST.desk, workshop.moment + n, key, amount=80)
    workshop.moment += HOUR
    workshop.post()
    page = browser.get(f"/orders/{order.number}/letters")
    assert "Email them that it takes longer" in page.text
    assert browser.post(f"/orders/{order.number}/letters/later").status_code == 303
    assert browser.post(f"/orders/{order.number}/letters/later").status_code == 409
    workshop.post(15 * MINUTE)
    assert "running_later" in kinds(workshop)
    assert rows(workshop.database, "SELECT channel, account_id FROM tellings") == [("letter", 2)]
    assert "taking longer" in files(workshop)[-1].read_text()


def test_a_reminder_is_stopped_from_the_page(workshop: LetterShop, browser: Browser) -> None:
    ordered(workshop)
    workshop.day_by_day(workshop.moment + 2 * DAY)
    browser.as_(workshop, CAST.desk)
    page = browser.get("/letters").text
    assert "Photo reminder 1 of 3, Juniper" in page
    [(waits,)] = rows(workshop.database, "SELECT id FROM news WHERE told_at IS NULL")
    browser.post(f"/letters/news/{waits}/stop")
    workshop.day_by_day(workshop.moment + 3 * DAY)
    assert kinds(workshop) == ["order_in"]


def test_after_three_reminders_a_person_is_asked_to_decide(
    workshop: LetterShop, browser: Browser
) -> None:
    ordered(workshop)
    workshop.day_by_day(workshop.moment + 23 * DAY)
    assert kinds(workshop) == ["order_in", *["photo_reminder"] * 3]
    browser.as_(workshop, CAST.desk)
    assert "Three reminders, and no photos" in browser.get("/letters").text


def test_only_the_owner_turns_sending_on_again(workshop: LetterShop, browser: Browser) -> None:
    with workshop.database.writing() as db:
        by_hand.turn_off(db, workshop.moment)
    letters_worker.look_again(workshop)
    page = browser.get("/letters").text
    assert "No email is being sent: the workshop was restored" in page
    assert "Yes, send emails again" not in page
    assert browser.post("/letters/on").status_code == 403
    browser.as_(workshop, CAST.owner)
    assert "Yes, send emails again" in browser.get("/letters").text
    assert browser.post("/letters/on").status_code == 303
    assert "restored" not in browser.get("/letters").text


def test_the_bench_has_no_letters(workshop: LetterShop, browser: Browser) -> None:
    browser.as_(workshop, CAST.painter)
    order = make_order(workshop.database, CAST.desk, workshop.moment)
    for address in ("/letters", f"/orders/{order.number}/letters"):
        assert browser.get(address).status_code == 403


def test_every_page_says_how_letters_leave(workshop: LetterShop, browser: Browser) -> None:
    assert "emails are saved as files" in browser.get("/orders").text


def asked(workshop: LetterShop) -> MadeOrder:
    order = ordered(workshop, [Wanted(step=Step.FINISHING)])
    typed = QuestionFields(topic="Colour", asked="Which eye is the blue one?", about="order")
    ask(workshop, order.id, typed, CAST.desk, "")
    return order


def first_task(workshop: LetterShop, order: MadeOrder) -> str:
    with workshop.database.reading() as db:
        facts = facts_of(db, order.id, workshop.in_force(), workshop.moment)
    return tasks(facts, Days(workshop.in_force().calendar, workshop.moment))[0].said()


def test_the_page_says_that_we_are_writing_only_while_a_letter_is_on_its_way(
    workshop: LetterShop, browser: Browser
) -> None:
    order = asked(workshop)
    assert "We’re writing to you about it" in first_task(workshop, order)
    [(news_id,)] = rows(workshop.database, "SELECT id FROM news WHERE kind = 'question'")
    wanted = "SELECT coalesce(sum(wanted), 0) FROM status_pages"
    before = rows(workshop.database, wanted)
    browser.post(f"/letters/news/{news_id}/stop", {"order": str(order.number)})
    assert rows(workshop.database, wanted) > before, "the page is written again"
    said = first_task(workshop, order)
    assert "Which eye is the blue one?" in said
    assert "writing to you" not in said


def test_a_question_whose_letter_is_held_or_dropped_does_not_say_that_we_are_writing(
    workshop: LetterShop, browser: Browser
) -> None:
    order = asked(workshop)
    workshop.moment += 15 * MINUTE
    letters_worker.form_round(workshop)
    assert "We’re writing to you about it" in first_task(workshop, order)
    browser.post("/letters/1/hold")
    assert "writing to you" not in first_task(workshop, order)
    browser.post("/letters/1/again")
    assert "We’re writing to you about it" in first_task(workshop, order)
    browser.post("/letters/1/drop")
    assert "writing to you" not in first_task(workshop, order)
