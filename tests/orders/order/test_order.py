"""The order page: everything about one order, and what the desk does to it."""

import re

import httpx
import pytest
from sqlalchemy import update

from app.flow import news_rows, store
from app.flow.stays import stays
from app.flow.steps import MAKING_STEPS, Step, TimeClass
from app.orders.facts.gather import facts_of
from app.tables import orders
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
from tests.whole_site import address, at_field, copies_of, free_to_leave, the_form, typed_in, words

ASKED = {"asked": "Is the left ear torn?", "topic": "Ears", "about": "order", "channel": "mail"}
STOP = {"about": "order", "whose": "customer", "reason": "they are away", "look_on": "2026-03-20"}


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """Two animals: Juniper's model in finishing with two copies, Otis's copy in painting."""
    wanted = [
        Wanted("Juniper", step=Step.FINISHING, copies=2),
        Wanted("Otis", step=Step.READY, copy_step=Step.PAINTING),
    ]
    return make_order(workshop.database, CAST.desk, NOW - DAY, wanted)


@pytest.fixture
def other(workshop: ClockedWorkshop, made: MadeOrder) -> MadeOrder:
    """Somebody else's order, made after it."""
    return make_order(
        workshop.database, CAST.desk, NOW - DAY, [Wanted("Fern")], customer="Sela Brook"
    )


def act(browser: Browser, made: MadeOrder, what: str, **typed: str) -> httpx.Response:
    """Send a form of the order page as it stands there, with some fields typed."""
    where = f"/orders/{made.number}/{what}"
    form = the_form(browser.get(f"/orders/{made.number}").text, where)
    return browser.post(where, form.fields | typed)


def said(browser: Browser, made: MadeOrder) -> str:
    return words(browser.get(f"/orders/{made.number}"))


def every_state(workshop: ClockedWorkshop, made: MadeOrder) -> list[tuple[bool, int]]:
    """Of every piece: on hold, and how many questions stop it."""
    return [
        (s.held, len(s.gates))
        for s in (piece(workshop.database, r).state for r in made.pieces.values())
    ]


# ---------------------------------------------------------------- questions


def test_a_blocking_question_makes_the_clock_the_customers_at_every_step(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begun = workshop.moment
    assert act(desk, made, "ask", **ASKED, waits="here").status_code == 303
    assert [asking for _, asking in every_state(workshop, made)] == [1, 1, 1, 0, 1], (
        "not the ready one"
    )
    assert "the work waits for the answer" in said(desk, made)
    workshop.moment += 3 * HOUR
    [(question,)] = rows(workshop.database, "SELECT id FROM questions")
    act(desk, made, f"answer/{question}", answer="The left one.")
    workshop.moment += HOUR
    assert "Is the left ear torn? The left one." in said(desk, made)
    assert every_state(workshop, made) == [(False, 0)] * 5
    for ref in (made.model("A"), made.copy("B1")):
        with workshop.database.reading() as db:
            log = store.log_of(db, ref)
        [stay] = stays(ref.of, log, workshop.in_force().calendar, workshop.moment)
        assert stay.classes[TimeClass.CUSTOMER] == 3 * HOUR
        assert stay.seconds() == workshop.moment - begun + DAY


def test_a_question_that_does_not_block_stops_nothing(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    act(desk, made, "ask", **ASKED)
    assert every_state(workshop, made) == [(False, 0)] * 5
    assert "does not stop the work" in said(desk, made)
    [(question,)] = rows(workshop.database, "SELECT id FROM questions")
    assert act(desk, made, f"answer/{question}", answer="Yes").status_code == 303
    assert "No question is open." in said(desk, made)


def test_a_question_about_one_piece_stops_that_piece_alone(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    act(desk, made, "ask", **(ASKED | {"about": str(made.copy("B1"))}), waits="here")
    assert piece(workshop.database, made.copy("B1")).state.stopped
    assert piece(workshop.database, made.model("A")).state.gates == ()


def test_a_question_without_words_comes_back_as_typed(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    before = fingerprint(workshop.folder.database_file)
    about = str(made.copy("B1"))
    page = act(
        desk, made, "ask", topic="Ears", asked=" ", about=about, channel="phone", waits="here"
    )
    assert page.status_code == 422
    assert "has to be filled in" in at_field(page, "asked")
    form = the_form(page.text, f"/orders/{made.number}/ask")
    assert (form.fields["topic"], form.fields["about"]) == ("Ears", about)
    assert form.fields["channel"] == "phone"
    assert form.fields["waits"] == "here"
    assert desk.post(f"/orders/{made.number}/ask", {}).status_code == 422
    assert fingerprint(workshop.folder.database_file) == before


def test_a_question_is_asked_and_answered_once(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    typed = ASKED | {"waits": "here", "once": "k"}
    for status in (303, 409):
        assert desk.post(f"/orders/{made.number}/ask", typed).status_code == status
    for status in (303, 409):
        answer = desk.post(f"/orders/{made.number}/answer/1", {"answer": "yes"})
        assert answer.status_code == status
    assert rows(workshop.database, "SELECT count(*) FROM questions") == [(1,)]
    assert every_state(workshop, made) == [(False, 0)] * 5


# ---------------------------------------------------------------- words with the customer


def test_a_contact_with_a_range_is_told_and_shown_at_the_top(
    desk: Browser, made: MadeOrder
) -> None:
    act(desk, made, "contact", told="before the fair", from_day="2026-04-01", to_day="2026-04-20")
    page = said(desk, made)
    assert "by phone: between 1 April and 20 April" in page
    assert "Said: before the fair by phone, Dara" in page


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"told": ""}, "told"),
        ({"told": "x", "from_day": "2026-04-01"}, "to_day"),
        ({"told": "x", "to_day": "2026-04-01"}, "from_day"),
        ({"told": "x", "from_day": "2026-04-02", "to_day": "2026-04-01"}, "to_day"),
        ({"told": "x", "from_day": "2026-04-01", "to_day": "2026-04-01"}, "to_day"),
        ({"told": "x", "from_day": "2026-03-03", "to_day": "2026-04-01"}, "from_day"),
        ({"told": "x", "from_day": "soon", "to_day": "2026-04-01"}, "from_day"),
    ],
)
def test_a_range_that_cannot_be_is_said_at_its_field(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, typed: dict[str, str], field: str
) -> None:
    before = fingerprint(workshop.folder.database_file)
    page = act(desk, made, "contact", **typed)
    assert page.status_code == 422
    assert at_field(page, field)
    assert fingerprint(workshop.folder.database_file) == before


def test_a_word_noted_twice_by_a_wet_finger_is_noted_once(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    assert act(desk, made, "contact", told="soon").status_code == 303
    assert act(desk, made, "contact", told="soon").status_code == 409
    workshop.moment += 120
    assert act(desk, made, "contact", told="soon").status_code == 303
    assert rows(workshop.database, "SELECT count(*) FROM contacts") == [(2,)]


# ---------------------------------------------------------------- hold, lift, cancel


def test_the_whole_order_is_held_and_lifted(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    assert act(desk, made, "hold", **STOP).status_code == 303
    assert [held for held, _ in every_state(workshop, made)] == [True, True, True, False, True]
    assert "on hold, waiting on the customer: they are away" in said(desk, made).lower()
    assert "check again on Fri 20 Mar" in words(desk.get("/waiting"))
    assert act(desk, made, "hold", **STOP).status_code == 409, "it is so already"
    assert act(desk, made, "lift").status_code == 303
    assert every_state(workshop, made) == [(False, 0)] * 5


def test_an_animal_is_held_with_the_copies_that_wait_for_it(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    act(desk, made, "hold", **(STOP | {"about": str(made.model("A"))}))
    assert [held for held, _ in every_state(workshop, made)] == [True, True, True, False, False]


def test_one_piece_is_held_alone(desk: Browser, workshop: ClockedWorkshop, made: MadeOrder) -> None:
    act(desk, made, "hold", **(STOP | {"about": str(made.copy("B1")), "whose": "supplier"}))
    assert [held for held, _ in every_state(workshop, made)] == [False, False, False, False, True]
    coated = {"move": "painted", "coat": "nothing that cures", "once": "x"}
    tapped = desk.post(f"{address(made.copy('B1'))}/move", coated)
    assert tapped.status_code == 409
    assert "Resume it first" in words(tapped)


@pytest.mark.parametrize("what", ["hold", "cancel"])
def test_a_stop_without_its_reason_keeps_what_it_was_about(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, what: str
) -> None:
    before = fingerprint(workshop.folder.database_file)
    about = str(made.copy("B1"))
    page = act(desk, made, what, about=about, whose="supplier", reason="")
    assert page.status_code == 422
    assert "has to be filled in" in at_field(page, "reason")
    form = the_form(page.text, f"/orders/{made.number}/{what}")
    assert (form.fields["about"], form.fields["whose"]) == (about, "supplier")
    assert desk.post(f"/orders/{made.number}/{what}", {"reason": "x"}).status_code == 422
    assert fingerprint(workshop.folder.database_file) == before


def test_a_cancelled_order_is_an_end_with_its_reason(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    act(desk, made, "cancel", **(STOP | {"reason": "the horse was sold"}))
    steps = {step_of(workshop.database, ref) for ref in made.pieces.values()}
    assert steps == {Step.CANCELLED, Step.READY}, "a model that is made stays made"
    page = said(desk, made)
    assert "Closed." in page
    assert "cancelled: the horse was sold" in page
    assert rows(
        workshop.database, "SELECT DISTINCT whose FROM transitions WHERE move = 'cancel'"
    ) == [("customer",)]


@pytest.mark.parametrize("step", [Step.NOT_BEGUN, *MAKING_STEPS])
def test_one_copy_is_cancelled_alone_at_every_step_and_what_waited_only_for_it_is_withdrawn(
    desk: Browser, workshop: ClockedWorkshop, step: Step
) -> None:
    model = Step.FINISHING if step is Step.NOT_BEGUN else Step.READY
    wanted = [Wanted("Juniper", step=model, copy_step=step), Wanted("Otis")]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    with workshop.database.writing() as db:
        for letter in "AB":
            news_rows.write(db, made.id, "photos_passed", NOW, letter=letter)
    copy, torn, pose = made.copy("A1"), ASKED["asked"], "Standing or lying?"
    act(desk, made, "ask", **(ASKED | {"about": str(copy), "channel": "letter", "waits": "here"}))
    act(desk, made, "ask", topic="Pose", asked=pose, about="order", channel="letter")
    assert torn in words(desk.get("/waiting"))
    act(desk, made, "cancel", about=str(copy), whose="studio", reason="the arm broke")
    assert step_of(workshop.database, copy) is Step.CANCELLED
    assert all(
        s.open for s in (piece(workshop.database, made.pieces[k]).state for k in ("B", "B1"))
    )
    page, waiting = said(desk, made), words(desk.get("/waiting"))
    assert "cancelled: the arm broke" in page
    assert f"{torn} closed: there is nothing left to ask about" in page
    assert (torn in waiting, pose in waiting) == (False, True)
    assert "Waiting to be sent: photos good to work from, Otis; question." in page
    with workshop.database.reading() as db:
        facts = facts_of(db, made.id, workshop.in_force(), workshop.now())
    assert [question.asked for question in facts.questions] == [pose]


def test_what_was_handed_over_is_not_cancelled_with_the_rest(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    now = workshop.moment
    for n, key in enumerate(("painted", "passed", "handed_over")):
        move(workshop.database, made.copy("B1"), CAST.desk, now + n, key)
    workshop.moment = now + 60
    act(desk, made, "cancel", **STOP)
    assert step_of(workshop.database, made.copy("B1")) is Step.HANDED_OVER
    assert step_of(workshop.database, made.copy("A1")) is Step.CANCELLED


def test_a_model_that_another_order_waits_for_is_not_cancelled_under_it(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = the_form(desk.get("/orders/new?animal=1").text, "/orders/new")
    desk.post("/orders/new", form.fields | {"name": "Sela Brook", "a0_ready_model": "1"})
    [follow_on] = copies_of(made.number + 1, workshop)
    before = fingerprint(workshop.folder.database_file)
    answer = act(desk, made, "cancel", **STOP)
    assert answer.status_code == 409
    assert f"Order {made.number + 1} is waiting for the same model" in words(answer)
    assert fingerprint(workshop.folder.database_file) == before
    act(desk, made, "cancel", **(STOP | {"about": str(made.copy("B1"))}))
    assert step_of(workshop.database, follow_on) is Step.NOT_BEGUN


@pytest.mark.parametrize(
    ("what", "typed"), [("ask", ASKED), ("hold", STOP), ("lift", {}), ("cancel", STOP)]
)
def test_a_piece_of_another_order_is_not_found(
    desk: Browser,
    workshop: ClockedWorkshop,
    made: MadeOrder,
    other: MadeOrder,
    what: str,
    typed: dict[str, str],
) -> None:
    before = fingerprint(workshop.folder.database_file)
    for about in (str(other.model()), "copy:999999", "copy:x", "piece", "copy:-1", "model:1e3"):
        sent = typed | {"about": about, "once": "k"}
        assert desk.post(f"/orders/{made.number}/{what}", sent).status_code == 404, about
    assert fingerprint(workshop.folder.database_file) == before


def test_a_question_of_another_order_is_not_answered_here(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, other: MadeOrder
) -> None:
    act(desk, other, "ask", **ASKED)
    assert desk.post(f"/orders/{made.number}/answer/1", {"answer": "yes"}).status_code == 404
    assert desk.get("/orders/777").status_code == 404
    assert desk.post("/orders/777/hold", STOP).status_code == 404


@pytest.mark.parametrize("what", ["hold", "cancel"])
def test_a_double_tap_stops_once(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, what: str
) -> None:
    typed = STOP | {"once": "wet"}
    assert desk.post(f"/orders/{made.number}/{what}", typed).status_code == 303
    [(count,)] = rows(workshop.database, "SELECT count(*) FROM transitions")
    assert desk.post(f"/orders/{made.number}/{what}", typed).status_code == 409
    assert rows(workshop.database, "SELECT count(*) FROM transitions") == [(count,)]


# ---------------------------------------------------------------- ship part, deadline, link


def test_ship_part_lets_what_is_ready_leave_and_can_be_taken_back(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    free_to_leave(workshop, made)
    move(workshop.database, made.copy("B1"), CAST.painter, NOW, "painted")
    move(workshop.database, made.copy("B1"), CAST.desk, NOW, "passed")
    assert "The rest of the order is not ready." in words(desk.get("/parcels"))
    act(desk, made, "ship-part")
    assert re.search(r"\. Ready\. ", words(desk.get("/parcels")))
    act(desk, made, "ship-part")
    assert "The rest of the order is not ready." in words(desk.get("/parcels"))
    assert "ship part: 0 1 Dara Quill" in said(desk, made)


def test_the_last_day_for_more_copies_moves_but_never_into_the_past(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    act(desk, made, "deadline", copy_deadline="2026-03-20")
    assert "until 20 March" in said(desk, made)
    for wrong in ("2026-03-03", "9999-12-31", "soon", ""):
        page = act(desk, made, "deadline", copy_deadline=wrong)
        assert page.status_code == 422
        assert at_field(page, "copy_deadline"), wrong
    assert rows(workshop.database, "SELECT copy_deadline FROM orders") == [("2026-03-20",)]


def test_a_link_is_replaced_and_revoked_and_the_old_one_is_gone(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    where = f"/orders/{made.number}/link"
    assert "No link opens it" in said(desk, made)
    desk.post(where, {"act": "replace"})
    first = link_of(desk, made)
    desk.post(where, {"act": "replace"})
    second = link_of(desk, made)
    assert first != second
    assert rows(
        workshop.database, "SELECT count(*) FROM status_links WHERE revoked_at IS NULL"
    ) == [(1,)]
    for nothing in ({}, {"act": "burn"}):
        assert desk.post(where, nothing).status_code == 422
    assert link_of(desk, made) == second
    desk.post(where, {"act": "revoke"})
    assert "No link opens it" in said(desk, made)
    assert "status link: replaced Dara Quill" in said(desk, made)


def link_of(desk: Browser, made: MadeOrder) -> str:
    page = desk.get(f"/orders/{made.number}").text
    found = re.search(r'id="the-link" readonly value="([^"]+)"', page)
    assert found is not None
    return found[1]


# ---------------------------------------------------------------- more copies


def test_a_copy_joins_while_its_model_is_in_work(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    [(line,)] = rows(workshop.database, "SELECT id FROM order_animals WHERE letter = 'A'")
    where = f"copies/{line}"
    act(desk, made, where, size="60", inscription="Juni", note="mind the ear")
    [*_, third] = [
        ref for ref in copies_of(made.number, workshop) if ref not in made.pieces.values()
    ]
    assert step_of(workshop.database, third) is Step.NOT_BEGUN
    assert f"{made.number}-A3 60 mm at the shoulder, “Juni”" in said(desk, made)
    page = act(desk, made, where, size="3", pose="lying")
    assert page.status_code == 422
    assert "Between" in at_field(page, "size")
    assert typed_in(page, "pose") == "lying"


def test_a_copy_added_twice_by_a_wet_finger_joins_once(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    [(line,)] = rows(workshop.database, "SELECT id FROM order_animals WHERE letter = 'A'")
    for _ in range(2):
        answer = desk.post(f"/orders/{made.number}/copies/{line}", {"size": "60", "once": "wet"})
        assert answer.status_code == 303
    assert len(copies_of(made.number, workshop)) == 4


@pytest.mark.parametrize(
    ("answer", "changed", "shown"),
    [("part", [("paid", "all", "part")], ", paid in part."), ("all", [], ", paid.")],
)
def test_a_copy_added_to_a_paid_order_is_asked_about_and_leaves_it_paid_as_answered(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder,
    answer: str, changed: list[tuple[str, ...]], shown: str,
) -> None:  # fmt: skip
    [(line,)] = rows(workshop.database, "SELECT id FROM order_animals WHERE letter = 'A'")
    where = f"copies/{line}"
    assert "still to pay" not in said(desk, made)
    with workshop.database.writing() as db:
        db.execute(update(orders).values(paid="all"))
    for unanswered in ("", "none"):
        page = act(desk, made, where, size="60", note="mind the ear", paid=unanswered)
        assert page.status_code == 422
        assert at_field(page, "paid")
        assert (typed_in(page, "size"), typed_in(page, "note")) == ("60", "mind the ear")
    assert len(copies_of(made.number, workshop)) == 3
    assert act(desk, made, where, size="60", paid=answer).status_code == 303
    assert len(copies_of(made.number, workshop)) == 4
    noted = "SELECT field, before, after FROM changes WHERE field = 'paid'"
    assert rows(workshop.database, noted) == changed
    assert shown in said(desk, made)


def test_whether_a_copy_is_paid_for_is_asked_too_where_the_order_was_paid_meanwhile(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    [(line,)] = rows(workshop.database, "SELECT id FROM order_animals WHERE letter = 'A'")
    where = f"/orders/{made.number}/copies/{line}"
    form = the_form(desk.get(f"/orders/{made.number}").text, where)
    with workshop.database.writing() as db:
        db.execute(update(orders).values(paid="all"))
    page = desk.post(where, form.fields | {"size": "60"})
    assert page.status_code == 422
    assert at_field(page, "paid") == "The order is paid in full. Is this copy too?"
    assert len(copies_of(made.number, workshop)) == 3


def test_after_the_model_is_finished_a_follow_on_order_is_the_way(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    [(line,)] = rows(workshop.database, "SELECT id FROM order_animals WHERE letter = 'B'")
    page = desk.post(f"/orders/{made.number}/copies/{line}", {"size": "60", "once": "k"})
    assert page.status_code == 422
    assert "more copies are an order of their own" in words(page)
    assert "More copies of Otis: a follow-on order" in words(page)
    assert len(copies_of(made.number, workshop)) == 3


def test_a_line_of_another_order_takes_no_copy(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, other: MadeOrder
) -> None:
    [(line,)] = rows(
        workshop.database, "SELECT id FROM order_animals WHERE order_id = ?", other.id
    )  # fmt: skip
    page = desk.post(f"/orders/{made.number}/copies/{line}", {"size": "60", "once": "k"})
    assert page.status_code == 422
    assert len(copies_of(other.number, workshop)) == 1


# ---------------------------------------------------------------- what the page shows


def test_the_page_says_earliest_and_latest_and_what_is_next(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    page = said(desk, made)
    assert "Earliest piece: Model finishing. Latest: Painting." in page
    assert "three copies" in page
    assert "Juniper" in page
    assert "waiting its turn" in page.lower()
    start = the_form(desk.get(f"/orders/{made.number}").text, f"{address(made.copy('B1'))}/move")
    answer = desk.post(start.action, start.fields | {"move": "start"})
    assert answer.headers["location"].startswith(f"/orders/{made.number}?done=moved")
    assert "Dara has it" in said(desk, made)


def test_a_gift_and_a_needed_day_are_said(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        db.execute(
            update(orders).values(
                gift=1, gift_day="2026-05-01", needed_by="2026-04-30", needed_reason="a wedding"
            )
        )
    page = said(desk, made)
    assert "a gift for 1 May, needed by 30 April (a wedding)" in page


@pytest.mark.parametrize("step", MAKING_STEPS)
def test_the_page_stands_at_every_step(
    desk: Browser, workshop: ClockedWorkshop, step: Step
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=step)])
    assert f"{made.number}-A1" in said(desk, made)
