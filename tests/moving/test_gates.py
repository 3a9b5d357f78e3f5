"""A question that the work waits for: nothing passes it, by no door, but an answer or the owner."""

from pathlib import Path

import pytest

from app.flow.gates import Gate, passes
from app.flow.steps import MOVES, Move, MoveKey, Of, Step
from app.flow.store import Ref
from app.studio.curing import NOTHING
from app.upkeep.audit import audit
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, piece, rows, step_of
from tests.moving.test_doors import Studio, by_order, doors, words_of
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import LOOKED_AT, address, free_to_leave, the_form, words

ASKED = "Dara asked Imre Castellan about Juniper (ears) on Wed 4 Mar"
TO_DO = "Log the answer, or the owner can go on without one."


def ask(browser: Browser, made: MadeOrder, about: Ref | str = "order", waits: str = "here") -> None:
    """Ask something that the work waits for."""
    form = the_form(browser.get(f"/orders/{made.number}").text, f"/orders/{made.number}/ask")
    typed = {"topic": "ears", "asked": "Is the left ear torn?", "about": str(about)}
    answer = browser.post(form.action, {**form.fields, **typed, "waits": waits})
    assert answer.status_code == 303, words(answer)


def press(browser: Browser, workshop: ClockedWorkshop, ref: Ref, move: str, **more: str) -> object:
    version = str(piece(workshop.database, ref).version)
    typed = {"move": move, "version": version, "once": f"k{move}{version}", "sure": "1", **more}
    if move == MoveKey.PAINTED:
        typed = {"coat": NOTHING, **typed}
    if move == MoveKey.PASSED:
        typed = {"check": LOOKED_AT, **typed}
    return browser.post(f"/pieces/{ref.of}/{ref.id}/move", typed)


FORWARD = [m for m in MOVES if passes(m) and m.key is not MoveKey.BEGUN]


def wait_for_part(browser: Browser, made: MadeOrder, ref: Ref, step: Step) -> None:
    """Note a part that the copy needs at the step where it is."""
    page = f"/orders/{made.number}"
    form = the_form(browser.get(page).text, f"{page}/parts")
    typed = {"kind": "plate", "due_on": "2026-03-12", "about": str(ref), "before": str(step)}
    answer = browser.post(form.action, {**form.fields, **typed})
    assert answer.status_code == 303, words(answer)


@pytest.mark.parametrize("move", FORWARD, ids=lambda m: f"{m.key}-{m.start}-{m.end}")
def test_no_door_lets_a_piece_past_an_open_question(
    template: Path, tmp_path: Path, move: Move
) -> None:
    studio = Studio(template, tmp_path / "studio", move)
    studio.browser.as_(studio.workshop, CAST.desk)
    ask(studio.browser, studio.made, studio.ref)
    _nothing_passes(studio, move, (f"{ASKED}; ", TO_DO), "waiting for the customer’s answer")


@pytest.mark.parametrize(
    "move", [m for m in FORWARD if m.of is Of.COPY], ids=lambda m: f"{m.key}-{m.start}-{m.end}"
)
def test_no_door_lets_a_copy_past_a_part_that_is_not_here(
    template: Path, tmp_path: Path, move: Move
) -> None:
    studio = Studio(template, tmp_path / "studio", move)
    studio.browser.as_(studio.workshop, CAST.desk)
    wait_for_part(studio.browser, studio.made, studio.ref, move.start)
    why = f"The plate for {studio.made.number}-A1 is due on Thu 12 Mar; "
    to_do = "Note it as here on the order, or the owner can go on without it."
    _nothing_passes(studio, move, (why, to_do), "waiting for a part")


def _nothing_passes(studio: Studio, move: Move, why: tuple[str, str], where: str) -> None:
    """Every door that takes a move says why it does not, and writes nothing."""
    studio.browser.as_(studio.workshop, CAST.owner)
    studio.version, before = 2, studio.rows()
    said = {**words_of(move), "reason": "I say so"}
    if move.key is MoveKey.HANDED_OVER:
        form = the_form(
            studio.browser.get(f"/parcels/new?copy={studio.ref.id}").text, "/parcels/new"
        )
        answer = studio.browser.post(form.action, {**form.fields, "copy": [str(studio.ref.id)],
                                                   "reason": "I say so"})  # fmt: skip
        assert answer.status_code == 409
        assert why[0] in words(answer)
    else:
        for door in doors(move):
            assert door is not by_order
            assert door(studio, move, said) == 409, door.__name__
        page = words(studio.browser.get(address(studio.ref)))
        assert all(said in page for said in why)
        assert f'value="{move.key}"' not in studio.browser.get(address(studio.ref)).text
    if move.start not in (Step.PHOTOS_IN, Step.NOT_BEGUN):
        assert where in words(studio.browser.get("/"))
    assert step_of(studio.workshop.database, studio.ref) is move.start
    assert studio.rows() == before
    studio.workshop.close()


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """A copy at shaping and its sister at painting."""
    wanted = [Wanted(step=Step.READY, copies=2, copy_step=Step.SHAPING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    free_to_leave(workshop, made)
    return made


def test_it_may_come_as_far_as_the_step_that_waits_and_no_further(
    desk: Browser, painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = made.copy("A1")
    ask(desk, made, copy, "painting")
    assert "painting and what comes after waits" in words(desk.get(f"/orders/{made.number}"))
    for move in ("start", "shaped"):
        assert press(painter, workshop, copy, move).status_code == 303, "shaping does not wait"
    for move in ("start", "painted"):
        answer = press(painter, workshop, copy, move)
        assert answer.status_code == 409
        assert f"{ASKED}; painting waits for the answer. {TO_DO}" in words(answer)
    assert press(painter, workshop, made.copy("A2"), "start").status_code == 303, (
        "the other goes on"
    )
    assert press(painter, workshop, copy, "back_to_shaping", reason="a seam").status_code == 303
    assert press(painter, workshop, copy, "start").status_code == 303, "shaping still does not wait"
    workshop.moment += 60
    assert desk.post(f"/orders/{made.number}/answer/1", {"answer": "Torn"}).status_code == 303
    for move in ("shaped", "start", "painted"):
        assert press(painter, workshop, copy, move).status_code == 303


def test_what_is_not_work_may_be_done_while_it_waits(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    ask(desk, made)
    copy = made.copy("A1")
    for move, more in (("aside", {"reason": "end of the day"}), ("finding", {"reason": "a chip"}),
                       ("hold", {"reason": "away", "whose": "customer"}), ("lift", {}),
                       ("cancel", {"reason": "sold", "whose": "customer"})):  # fmt: skip
        assert press(desk, workshop, copy, move, **more).status_code == 303, move


@pytest.mark.parametrize("who", [CAST.desk, CAST.painter])
def test_the_owner_alone_lets_it_go_on_without_an_answer(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, who
) -> None:
    ask(desk, made)
    where = f"/orders/{made.number}/override/1"
    desk.as_(workshop, who)
    assert where not in desk.get(f"/orders/{made.number}").text
    assert desk.post(where, {"reason": "time is short"}).status_code == 403
    assert piece(workshop.database, made.copy()).state.stopped


def test_an_override_stays_in_the_history_and_the_question_open(
    owner: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    ask(owner, made)
    page = owner.get(f"/orders/{made.number}")
    form = the_form(page.text, f"/orders/{made.number}/override/1")
    empty = owner.post(form.action, {**form.fields, "reason": " "})
    assert empty.status_code == 422
    assert "has to be filled in" in words(empty)
    workshop.moment += 3_600
    assert owner.post(form.action, {"reason": "they are at sea"}).status_code == 303
    assert owner.post(form.action, {"reason": "they are at sea"}).status_code == 409
    for page in (f"/orders/{made.number}", address(made.copy("A1"))):
        said = words(owner.get(page))
        assert "goes on without an answer: they are at sea" in said
        assert "Is the left ear torn?" in said
    assert rows(workshop.database, "SELECT answered_at, overridden FROM questions") == [
        (None, "they are at sea")
    ]
    assert press(owner, workshop, made.copy("A1"), "start").status_code == 303
    assert owner.post(f"/orders/{made.number}/answer/1", {"answer": "Torn"}).status_code == 303
    assert audit(workshop.folder, workshop.moment).differences == []


def test_a_copy_that_joins_waits_too(desk: Browser, workshop: ClockedWorkshop) -> None:
    made = make_order(workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.FINISHING)])
    ask(desk, made, made.model(), "blank")
    assert press(desk, workshop, made.model(), "start").status_code == 303, "the model goes on"
    page = desk.get(f"/orders/{made.number}").text
    line = page.partition(f"/orders/{made.number}/copies/")[2].partition('"')[0]
    form = the_form(page, f"/orders/{made.number}/copies/{line}")
    assert desk.post(form.action, form.fields).status_code == 303
    assert press(desk, workshop, made.model(), "model_finished").status_code == 303
    for copy in (1, 2):
        found = piece(workshop.database, Ref(Of.COPY, copy)).state
        assert (found.step, found.gates) == (Step.BLANK, (Gate(1, Step.BLANK),))
        assert press(desk, workshop, Ref(Of.COPY, copy), "blank_done").status_code == 409


def test_a_remake_waits_like_what_it_replaces(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = made.copy("A1")
    ask(desk, made, copy, "painting")
    answer = press(desk, workshop, copy, "remake", reason="it broke", cause="shaping")
    assert answer.status_code == 303
    [(again,)] = rows(workshop.database, "SELECT max(id) FROM copies")
    assert piece(workshop.database, Ref(Of.COPY, again)).state.gates == (Gate(1, Step.PAINTING),)
    [(act,)] = rows(workshop.database, "SELECT id FROM transitions WHERE move = 'remake'")
    assert desk.post("/undo", {"entry": str(act), "back": "/"}).status_code == 303
    assert step_of(workshop.database, copy) is Step.SHAPING
    assert audit(workshop.folder, workshop.moment).differences == []


def test_a_wrong_entry_is_not_corrected_into_a_move_past_a_question(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = made.copy("A1")
    press(desk, workshop, copy, "shaped")
    ask(desk, made, copy)
    press(desk, workshop, copy, "back_to_shaping", reason="a seam")
    [(entry,)] = rows(workshop.database, "SELECT max(id) FROM transitions")
    typed = {"move": "painted", "reason": "meant painted", "once": "c"}
    answer = desk.post(f"/corrections/{entry}", typed)
    assert answer.status_code == 409
    assert "painting waits for the answer" in words(answer)
    assert step_of(workshop.database, copy) is Step.SHAPING


def test_the_audit_lists_what_stands_beyond_an_open_question(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = made.copy("A1")
    ask(desk, made, copy)
    [(gates,)] = rows(workshop.database, "SELECT gates FROM copies WHERE id = ?", copy.id)
    with workshop.database.writing() as db:  # as an earlier program let it pass
        db.exec_driver_sql("UPDATE copies SET gates = NULL WHERE id = ?", (copy.id,))
    press(desk, workshop, copy, "shaped")
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE copies SET gates = ? WHERE id = ?", (gates, copy.id))
    [found] = audit(workshop.folder, workshop.moment).differences
    assert (found.what, found.id, found.cached) == ("copy", copy.id, "painting")
    assert found.from_log == "waits for the answer to question 1"


def test_pictures_and_machines_do_not_wait_for_an_answer(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW - DAY)
    ask(desk, made)
    model = made.model()
    assert press(desk, workshop, model, "photos_counted", amount="20").status_code == 303
    assert press(desk, workshop, model, "build_started").status_code == 409
