"""A part that is still to come: the piece waits at the step that needs it, whichever door asks."""

from datetime import date

import pytest

from app.flow.gates import Gate
from app.flow.stays import stays
from app.flow.steps import MoveKey, Of, Step, TimeClass
from app.flow.store import Ref, log_of
from app.orders.facts.gather import facts_of
from app.orders.forecast import record
from app.upkeep.audit import audit
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, piece, rows, step_of
from tests.moving.test_gates import press
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, at_field, free_to_leave, the_form, words

PLATE = {"kind": "plate", "supplier": "Burr & Scribe", "ordered_on": "2026-03-02"}
DUE = "The plate for {} is due on Thu 12 Mar; packing waits for it. "
TO_DO = "Note it as here on the order, or the owner can go on without it."


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """A copy at inspection and its sister at packing, free to leave."""
    wanted = [Wanted(step=Step.READY, copies=2, copy_step=Step.PACKING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    free_to_leave(workshop, made)
    return made


def note(browser: Browser, made: MadeOrder, about: object = "order", **more: str) -> object:
    """Note a part with the form of the order's page; it is a plate that is due on 12 March."""
    form = the_form(browser.get(f"/orders/{made.number}").text, f"/orders/{made.number}/parts")
    typed = {**PLATE, "due_on": "2026-03-12", "about": str(about), **more}
    return browser.post(form.action, {**form.fields, **typed})


def test_a_piece_waits_at_the_step_that_needs_it_and_says_why(
    desk: Browser, painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = made.copy("A1")
    assert note(desk, made, copy).status_code == 303
    why = DUE.format(f"{made.number}-A1") + TO_DO
    for browser, move in ((painter, "start"), (desk, "handed_over")):
        answer = press(browser, workshop, copy, move)
        assert answer.status_code == 409
        assert why in words(answer)
    assert why in words(desk.get(address(copy)))
    assert "waiting for a part" in words(desk.get("/"))
    assert "waiting for the customer’s answer" not in words(desk.get("/"))
    assert "Part not here" in words(desk.get("/"))
    form = the_form(desk.get(f"/parcels/new?copy={copy.id}").text, "/parcels/new")
    answer = desk.post(form.action, {**form.fields, "copy": [str(copy.id)], "reason": "I say so"})
    assert answer.status_code == 409
    assert press(desk, workshop, made.copy("A2"), "start").status_code == 303, "not for this one"
    assert press(desk, workshop, copy, "back_to_painting", reason="a scratch").status_code == 303
    assert press(painter, workshop, copy, "start").status_code == 303, "painting does not need it"


def test_the_customer_reads_which_part_is_waited_for(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    def part() -> tuple[str, date | None]:
        with workshop.database.reading() as db:
            facts = facts_of(db, made.id, workshop.in_force(), workshop.now())
        standing = facts.animals[0].copies[0].standing
        return standing.part, standing.part_due

    assert part() == ("", None)
    note(desk, made, due_on="")
    assert part() == ("plate", None)
    note(desk, made)
    assert part() == ("plate", None), "the one that nobody can name a day for"
    desk.post(f"/orders/{made.number}/parts/1", {})
    assert part() == ("plate", date(2026, 3, 12))
    desk.post(f"/orders/{made.number}/parts/2", {})
    assert part() == ("", None)


def test_it_is_here_and_the_work_goes_on(
    painter: Browser, desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    note(desk, made)
    assert all(piece(workshop.database, made.copy(f"A{n}")).state.lacking for n in (1, 2))
    painter.as_(workshop, CAST.painter)
    workshop.moment += 3_600
    where = f"/orders/{made.number}/parts/1"
    assert painter.post(where, {}).status_code == 303
    assert painter.post(where, {}).status_code == 409
    assert piece(workshop.database, made.copy("A1")).state.gates == ()
    page = words(desk.get(f"/orders/{made.number}"))
    assert "The plate for the whole order from Burr & Scribe: here since today" in page
    assert press(painter, workshop, made.copy("A2"), "start").status_code == 303
    log = words(desk.get(address(made.copy("A1"))))
    assert "Packing waits for a part" in log
    assert "waits for that part no more" in log
    assert audit(workshop.folder, workshop.moment).differences == []


def test_the_time_until_it_is_here_is_no_customer_s_and_no_hand_s(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    note(desk, made)
    workshop.moment += 2 * DAY
    assert desk.post(f"/orders/{made.number}/parts/1", {}).status_code == 303
    workshop.moment += 600
    in_force = workshop.in_force()
    with workshop.database.reading() as db:
        log = log_of(db, made.copy("A1"))
    [stay] = stays(Of.COPY, log, in_force.calendar, workshop.moment)
    assert stay.classes[TimeClass.HOLD] == 2 * DAY
    assert TimeClass.CUSTOMER not in stay.classes
    assert stay.seconds() == 3 * DAY + 600


def test_the_range_waits_for_the_day_on_which_it_is_due(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    def resting() -> dict[int, str]:
        with workshop.database.reading() as db:
            return record.read(db).resting

    early = make_order(
        workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.READY, copy_step=Step.SHAPING)]
    )
    note(desk, early)
    assert resting() == {}, "shaping does not need it"
    note(desk, made, made.copy("A1"))
    note(desk, made, made.copy("A2"), before="inspection", due_on="2026-03-20")
    assert resting() == {made.copy("A1").id: "2026-03-12", made.copy("A2").id: "2026-03-20"}
    assert desk.post(f"/orders/{made.number}/parts/2", {}).status_code == 303
    assert resting() == {made.copy("A2").id: "2026-03-20"}


def test_the_owner_alone_goes_on_without_it_for_a_reason_that_is_kept(
    owner: Browser, desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    note(desk, made)
    where = f"/orders/{made.number}/parts/1/without"
    desk.as_(workshop, CAST.desk)
    assert where not in desk.get(f"/orders/{made.number}").text
    assert desk.post(where, {"reason": "time"}).status_code == 403
    owner.as_(workshop, CAST.owner)
    empty = owner.post(where, {"reason": " "})
    assert empty.status_code == 422
    assert "has to be filled in" in words(empty)
    assert owner.post(where, {"reason": "we lent them one"}).status_code == 303
    assert owner.post(where, {"reason": "again"}).status_code == 409
    assert "goes on without a part: we lent them one" in words(owner.get(address(made.copy("A1"))))
    assert press(owner, workshop, made.copy("A1"), "start").status_code == 303
    assert owner.post(f"/orders/{made.number}/parts/1", {}).status_code == 303, "it comes later"
    assert audit(workshop.folder, workshop.moment).differences == []


@pytest.mark.parametrize(
    ("typed", "name", "says"),
    [
        ({"kind": "a horse"}, "kind", "Choose one from the list."),
        ({"kind": ""}, "kind", "Choose one from the list."),
        ({"before": "soon"}, "before", "Choose one from the list."),
        ({"due_on": "soon"}, "due_on", "A day like 2026-11-25, please."),
        ({"ordered_on": "2026-03-05"}, "ordered_on", "That is in the future. A day up to today."),
        ({"due_on": "2026-03-01"}, "due_on", "That is before it was ordered."),
    ],
)
def test_what_cannot_be_is_said_at_its_field(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, typed: dict[str, str], name: str,
    says: str,
) -> None:  # fmt: skip
    answer = note(desk, made, what="brass, round", **typed)
    assert answer.status_code == 422
    assert says in at_field(answer, name)
    assert "brass, round" in answer.text
    assert rows(workshop.database, "SELECT count(*) FROM parts") == [(0,)]


def test_another_day_is_kept_with_who_said_it_and_a_part_may_be_struck_out(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    note(desk, made)
    where = f"/orders/{made.number}/parts/1/due"
    assert desk.post(where, {"due_on": "never"}).status_code == 422
    assert desk.post(where, {"due_on": "2026-03-20"}).status_code == 303
    assert "is due on Fri 20 Mar" in words(desk.get(address(made.copy("A1"))))
    assert rows(workshop.database, "SELECT field, before, after FROM changes") == [
        ("due_on", "2026-03-12", "2026-03-20")
    ]
    assert desk.post(where, {"act": "strike"}).status_code == 303
    assert piece(workshop.database, made.copy("A1")).state.gates == ()
    assert "No part is on order." in words(desk.get(f"/orders/{made.number}"))
    assert desk.post(where, {"due_on": "2026-03-21"}).status_code == 409


def test_what_is_due_stands_on_the_waiting_page_and_what_is_late_says_so(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    assert "Plates, bases and other parts" in words(desk.get("/waiting"))
    note(desk, made, made.copy("A1"))
    note(desk, made, kind="dome", due_on="2026-03-03")
    said = words(desk.get("/waiting"))
    assert f"late, was Tue 3 Mar Dome for {made.number}" in said
    assert f"Thu 12 Mar Plate for {made.number}-A1, Imre Castellan. From Burr & Scribe." in said
    answer = desk.post(f"/orders/{made.number}/parts/1", {"back": "/waiting"})
    assert answer.headers["location"] == "/waiting?done=noted"


def test_a_form_that_is_sent_twice_notes_one_part(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    form = the_form(desk.get(f"/orders/{made.number}").text, f"/orders/{made.number}/parts")
    typed = {**form.fields, **PLATE, "about": "order"}
    assert [desk.post(form.action, typed).status_code for _ in (1, 2)] == [303, 409]
    assert rows(workshop.database, "SELECT count(*) FROM parts") == [(1,)]


def test_a_copy_that_joins_and_a_remake_wait_too(desk: Browser, workshop: ClockedWorkshop) -> None:
    wanted = [Wanted("Otis", step=Step.FINISHING), Wanted(step=Step.READY, copy_step=Step.SHAPING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    note(desk, made, kind="glass eyes")
    page = desk.get(f"/orders/{made.number}").text
    line = page.partition(f"/orders/{made.number}/copies/")[2].partition('"')[0]
    form = the_form(page, f"/orders/{made.number}/copies/{line}")
    assert desk.post(form.action, form.fields).status_code == 303
    assert press(desk, workshop, made.copy("B1"), "remake", reason="broke", cause="shaping")
    for (copy,) in rows(workshop.database, "SELECT id FROM copies WHERE open = 1"):
        found = piece(workshop.database, Ref(Of.COPY, copy)).state
        assert found.gates == (Gate(-1, Step.PAINTING),)
    assert desk.post(f"/orders/{made.number}/parts/1", {}).status_code == 303
    assert rows(workshop.database, "SELECT count(*) FROM copies WHERE gates IS NOT NULL AND open") \
        == [(0,)]  # fmt: skip
    assert audit(workshop.folder, workshop.moment).differences == []


def test_the_audit_lists_what_went_past_a_part(desk: Browser, workshop: ClockedWorkshop) -> None:
    made = make_order(
        workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.READY, copy_step=Step.SHAPING)]
    )
    copy = made.copy()
    note(desk, made, before="shaping")
    [(gates,)] = rows(workshop.database, "SELECT gates FROM copies")
    with workshop.database.writing() as db:  # as an earlier program let it pass
        db.exec_driver_sql("UPDATE copies SET gates = NULL")
    press(desk, workshop, copy, MoveKey.SHAPED)
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE copies SET gates = ?", (gates,))
    [found] = audit(workshop.folder, workshop.moment).differences
    assert found.from_log == "waits for part 1"
    assert step_of(workshop.database, copy) is Step.PAINTING
