"""A letter about a cancellation, a hold or a remake: offered, read first, sent by a person."""

import html
import re

import pytest

from app.flow.steps import Step
from app.letters import forming
from app.letters import worker as letters_worker
from app.letters.outbox import OVERTAKEN
from app.main import staff_site
from tests.letters.conftest import workshop
from tests.letters.studio import MINUTE, LetterShop, files, kinds, letters, ordered, read, text_of
from tests.making import CAST, DAY, HOUR, NOW, MadeOrder, Wanted, move, rows
from tests.orders.facts.test_to_tell import _keep_told, computed_anew, facts, running_late
from tests.staff.browser import Browser
from tests.whole_site import words

__all__ = ["workshop"]
LINE = "The glaze came out of the kiln with a crack."
AT_WORK = Wanted("Juniper", 2, step=Step.READY, copy_step=Step.PAINTING)


@pytest.fixture
def desk(workshop: LetterShop) -> Browser:
    return Browser(staff_site(workshop)).as_(workshop, CAST.desk)


def an_order(workshop: LetterShop, *wanted: Wanted, **fields: object) -> MadeOrder:
    """An order in work whose first letter has gone."""
    made = ordered(workshop, list(wanted or (AT_WORK,)), **fields)
    workshop.post(HOUR)
    workshop.moment += HOUR
    return made


def stop(desk: Browser, order: MadeOrder, how: str, about: str = "order", **more: str) -> None:
    typed = {"about": about, "whose": "customer", "reason": "they asked us to", **more}
    assert desk.post(f"/orders/{order.number}/{how}", typed).status_code == 303


def offered(desk: Browser, order: MadeOrder) -> list[str]:
    """Where the order's page offers to write."""
    page = desk.get(f"/orders/{order.number}").text
    return re.findall(rf'href="(/orders/{order.number}/write/[^"]+)"', page)


def shown(page: str) -> str:
    """The email on the page, its line breaks undone."""
    [said] = re.findall(r'<pre class="mail"[^>]*>(.*?)</pre>', page, re.DOTALL)
    return " ".join(html.unescape(said).split())


def send(desk: Browser, where: str, line: str = "") -> str:
    """Say yes to the letter as it stands; gives what was read before."""
    said = shown(desk.post(where, {"act": "look", "line": line}).text)
    answer = desk.post(where, {"act": "tell", "line": line})
    assert answer.status_code == 303
    return said


def without_the_link(mail: str) -> str:
    return re.sub(r"https://\S+", "", mail)


def test_what_is_read_is_what_goes_with_its_line_and_only_on_a_yes(
    workshop: LetterShop, desk: Browser
) -> None:
    order = an_order(workshop)
    stop(desk, order, "hold")
    [where] = offered(desk, order)
    page = desk.get(where)
    assert "We’ve paused work on your order until we hear from you." in shown(page.text)
    assert "Write to us when you’d like us to carry on." in shown(page.text)
    assert "Nothing has been sent yet." in words(page)
    workshop.post(HOUR)
    assert kinds(workshop) == ["order_in"], "nobody said yes"
    said = send(desk, where, LINE)
    assert LINE in said
    assert offered(desk, order) == []
    assert (
        "on hold" in words(desk.get(f"/orders/{order.number}")).partition("Waiting to be sent")[2]
    )
    assert workshop.post(14 * MINUTE) == 0
    assert workshop.post(MINUTE) == 1
    mail = read(files(workshop)[-1])
    assert mail["subject"] == "Juniper: we’ve paused the work"
    assert mail["in-reply-to"] == read(files(workshop)[0])["message-id"]
    assert without_the_link(text_of(mail)) == without_the_link(said)
    html_part = mail.get_body(("html",))
    assert html_part is not None
    assert LINE in html_part.get_content()
    assert desk.post(where, {"act": "tell"}).status_code == 409
    assert kinds(workshop) == ["order_in", "on_hold"]


@pytest.mark.parametrize("formed", [False, True])
def test_a_hold_that_was_lifted_is_not_written_of(
    workshop: LetterShop, desk: Browser, formed: bool
) -> None:
    order = an_order(workshop)
    stop(desk, order, "hold")
    [where] = offered(desk, order)
    send(desk, where)
    workshop.moment += 15 * MINUTE
    if formed:
        assert letters_worker.form_round(workshop) == 1
    assert desk.post(f"/orders/{order.number}/lift", {"about": "order"}).status_code == 303
    assert workshop.post() == 0
    assert workshop.post(HOUR) == 0
    assert [row[4] for row in letters(workshop)[1:]] == [OVERTAKEN] * formed
    assert desk.get(where).status_code == 409


def test_of_a_cancelled_order_goes_the_letter_that_says_so_and_no_other(
    workshop: LetterShop, desk: Browser
) -> None:
    order = an_order(workshop)
    stop(desk, order, "hold")
    [hold] = offered(desk, order)
    send(desk, hold)
    stop(desk, order, "cancel")
    [where] = offered(desk, order)
    assert "/cancelled/" in where
    said = send(desk, where)
    assert "This order has been cancelled, and we’ve stopped all work on it." in said
    assert "paid" not in said
    waits = words(desk.get("/letters"))
    assert "Cancelled" in waits.partition("Updates to send")[2]
    assert workshop.post(15 * MINUTE) == 1
    assert kinds(workshop) == ["order_in", "cancelled"]
    mail = read(files(workshop)[-1])
    assert mail["subject"] == f"Your order {order.number}: it has been cancelled"


def test_an_undo_of_the_act_takes_its_letter_back(workshop: LetterShop, desk: Browser) -> None:
    order = an_order(workshop)
    for formed in (False, True):
        stop(desk, order, "cancel")
        [where] = offered(desk, order)
        send(desk, where)
        if formed:
            # A yes counts from its own moment, and the act may still be undone.
            desk.post(f"/letters/news/{order.id}/now")
        assert desk.post("/undo", {"entry": where.rpartition("/")[2]}).status_code == 303
        assert workshop.post(MINUTE) == 0
        assert offered(desk, order) == []
    workshop.post(HOUR)
    assert [row[1] for row in letters(workshop)] == ["sent", "dropped"]


def test_a_part_that_is_cancelled_is_named_and_what_comes_after_is_told_anew(
    workshop: LetterShop, desk: Browser
) -> None:
    order = an_order(workshop, AT_WORK, Wanted("Otis", 1, step=Step.READY, copy_step=Step.SHAPING))
    stop(desk, order, "cancel", str(order.copy("A2")))
    [where] = offered(desk, order)
    said = send(desk, where)
    assert "We’ve stopped work on copy 2 of Juniper. The rest of your order goes on" in said
    workshop.moment += 15 * MINUTE
    letters_worker.form_round(workshop)
    stop(desk, order, "cancel")
    workshop.post(MINUTE)
    assert workshop.post(2 * MINUTE) == 1
    assert [row[1] for row in letters(workshop)] == ["sent", "dropped", "sent"]
    assert "we’ve stopped all work on it" in text_of(read(files(workshop)[-1]))


def test_a_copy_made_again_is_told_with_its_reason_until_it_leaves(
    workshop: LetterShop, desk: Browser
) -> None:
    order = an_order(workshop, Wanted("Fern", 1, "remembered", step=Step.READY,
                                      copy_step=Step.PAINTING), gift=1)  # fmt: skip
    move(
        workshop.database, order.copy(), CAST.painter, workshop.moment, "remake",
        reason="an ear broke off", cause="shaping",
    )  # fmt: skip
    [where] = offered(desk, order)
    said = send(desk, where, LINE)
    assert "We’re making the likeness of Fern again from the start" in said
    assert f"{LINE} It doesn’t cost you anything extra." in said
    assert workshop.post(15 * MINUTE) == 1
    mail = read(files(workshop)[-1])
    assert mail["subject"] == f"Your order {order.number}: something we’re making again"
    assert "an ear broke off" not in text_of(mail), "what the bench wrote stays at the bench"


def test_a_remake_that_moves_the_days_tells_the_new_ones(
    workshop: LetterShop, desk: Browser
) -> None:
    order = running_late(workshop, since=None, end=14, computed=13)
    _keep_told(workshop, facts(workshop, order), NOW)
    move(
        workshop.database, order.copy(), CAST.owner, NOW, "remake", reason="an ear broke off",
        cause="painting",
    )  # fmt: skip
    workshop.moment = NOW + 120
    [where] = offered(desk, order)
    early = words(desk.get(where))
    assert "move the dates" not in early
    # The days that were told do not allow for it, and nobody knows yet whether they hold.
    assert "The dates allow for" not in early
    assert "we’ll write if that moves them" in early
    assert "The new dates are being worked out" in early
    computed_anew(workshop, 22)
    said = send(desk, where)
    assert "It does move the dates we gave you." in said
    days = said.partition("most likely ready to leave us between")[2].partition(".")[0]
    assert days
    told = "SELECT channel, answer FROM tellings ORDER BY id"
    assert rows(workshop.database, told)[1:] == [("letter", None)]
    assert "taking longer than the customer was told" not in words(
        desk.get(f"/orders/{order.number}")
    )
    forming.form_due(workshop.database, workshop.in_force(), workshop.now(), only=order.id)
    assert said in words(desk.get("/letters/1")), "it goes as it was read"


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("<b>sorry</b>", "Plain words only"),
        ("x" * 401, "400"),
        ("There is nothing you need to do.", "Each email says automatically"),
    ],
)
def test_a_line_that_will_not_do_is_said_at_its_field_and_kept(
    workshop: LetterShop, desk: Browser, line: str, says: str
) -> None:
    order = an_order(workshop)
    stop(desk, order, "hold")
    [where] = offered(desk, order)
    for act in ("look", "tell"):
        page = desk.post(where, {"act": act, "line": line})
        assert page.status_code == 422
        assert says in words(page)
        [kept] = re.findall(r"<textarea[^>]*>(.*?)</textarea>", page.text, re.DOTALL)
        assert html.unescape(kept) == line
        assert ">Send it<" not in page.text, "what was not read does not go"
    assert workshop.post(HOUR) == 0


def test_what_is_no_act_or_of_another_kind_cannot_be_written_of(
    workshop: LetterShop, desk: Browser
) -> None:
    order = an_order(workshop)
    stop(desk, order, "hold")
    act = offered(desk, order)[0].rpartition("/")[2]
    for kind in ("running_later", "order_in", "spam"):
        assert desk.get(f"/orders/{order.number}/write/{kind}/{act}").status_code == 404
    assert desk.get(f"/orders/{order.number}/write/cancelled/{act}").status_code == 409
    assert desk.post(f"/orders/{order.number}/write/on_hold/1", {"act": "tell"}).status_code == 409
    assert desk.get(f"/orders/987654/write/on_hold/{act}").status_code == 404
    where = f"/orders/{order.number}/write/on_hold/{act}"
    desk.as_(workshop, CAST.painter)
    assert desk.get(where).status_code == 403
    assert desk.post(where, {"act": "tell"}).status_code == 403
    assert offered(desk, order) == []


def test_an_old_cancellation_is_not_offered(workshop: LetterShop, desk: Browser) -> None:
    order = an_order(workshop)
    stop(desk, order, "cancel")
    assert len(offered(desk, order)) == 1
    workshop.moment += 31 * DAY
    desk.as_(workshop, CAST.desk)
    assert offered(desk, order) == []


def test_a_model_alone_that_is_held_is_named_as_one(workshop: LetterShop, desk: Browser) -> None:
    order = an_order(workshop, Wanted("Juniper", 2))
    stop(desk, order, "hold", str(order.model()), whose="studio")
    said = words(desk.get(f"/orders/{order.number}"))
    assert "On hold: Juniper’s model" in said
    assert "the copy of Juniper" not in said
