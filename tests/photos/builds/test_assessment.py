"""Assessing a model: five outcomes, the check's advice edited, marks, and the views worked from."""

import json

import pytest
from sqlalchemy import insert

from app.flow.steps import Step
from app.letters.forming import teller_of
from app.letters.letter import Part
from app.letters.sentences import letter_of
from app.orders.facts.gather import facts_of
from app.status.wording import document
from app.tables import marks, photo_checks, photo_deliveries, picture_models, pictures
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, rows, step_of, walk
from tests.photos.builds.conftest import name_machine
from tests.staff.browser import Browser, ClockedWorkshop
from tests.status.rows import sentences
from tests.whole_site import forms, the_form, words

ADVICE = ["Left side, at the height of the back", "From above, a step away", "The face in daylight"]


def to_assess(workshop: ClockedWorkshop, **wanted: object) -> MadeOrder:
    order = make_order(
        workshop.database,
        CAST.desk,
        NOW - 9 * DAY,
        [Wanted("Juniper", step=Step.PHOTOS_IN, **wanted)],
    )
    walk(
        workshop.database,
        order.model(),
        CAST.finisher,
        NOW - DAY,
        "build_started",
        "build_finished",
    )
    return order


def checked(
    workshop: ClockedWorkshop, model: int, verdict: str = "doubtful", at: int = NOW - 2 * DAY
) -> None:
    result = {
        "verdict": verdict,
        "reasons": [{"code": "gap", "text": "A gap behind.", "pictures": [], "weight": "doubt"}],
        "advice": [{"number": n, "code": "gap", "text": t} for n, t in enumerate(ADVICE, 1)],
    }
    with workshop.database.writing() as db:
        db.execute(
            insert(photo_checks).values(
                model_id=model, begun_at=at, ended_at=at, verdict=verdict,
                result=json.dumps(result), pictures=40,
            )
        )  # fmt: skip


def with_pictures(workshop: ClockedWorkshop, order: MadeOrder, count: int = 3) -> None:
    with workshop.database.writing() as db:
        db.execute(
            insert(photo_deliveries).values(id=1, order_id=order.id, told_at=NOW, way="card")
        )
        for n in range(1, count + 1):
            db.execute(
                insert(pictures).values(
                    id=n, order_id=order.id, delivery_id=1, sha256=f"{n}", size=9, path=f"{n}.jpg",
                    name=f"p{n}.jpg", came_at=NOW, taken=f"2026:03:0{n} 10:00:00",
                )
            )  # fmt: skip
            db.execute(insert(picture_models).values(model_id=order.model().id, picture_id=n))


def page_says(workshop: ClockedWorkshop, order: MadeOrder) -> list[str]:
    with workshop.database.reading() as db:
        facts = facts_of(db, order.id, workshop.in_force(), workshop.now())
    in_force = workshop.in_force()
    teller = teller_of(in_force)
    return list(sentences(document(facts, teller, workshop.now())))


def test_more_views_begin_from_the_advice_and_page_and_letter_show_the_same_numbers(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = to_assess(workshop)
    checked(workshop, order.model().id)
    address = f"/assess/{order.model().id}"
    page = painter.get(address)
    form = the_form(page.text, address, move="more_views")
    for line in ADVICE:
        assert f'aria-label="View {ADVICE.index(line) + 1}">{line}</textarea>' in page.text
    views = [ADVICE[0], "", f"{ADVICE[2]}, both eyes", "Both ears"]
    answer = painter.post(address, {**form.fields, "view": views})
    assert answer.status_code == 303
    asked = [ADVICE[0], f"{ADVICE[2]}, both eyes", "Both ears"]
    assert rows(workshop.database, "SELECT number, wish FROM views_asked ORDER BY number") == [
        *enumerate(asked, start=1)
    ]
    assert "\n".join(asked) in page_says(workshop, order)
    with workshop.database.reading() as db:
        facts = facts_of(db, order.id, workshop.in_force(), workshop.now())
    teller = teller_of(workshop.in_force())
    letter = letter_of([Part("more_views", ("A",), 1)], facts, teller, workshop.now())
    assert all(line in str(letter) for line in asked)
    assert rows(workshop.database, "SELECT kind, round FROM news") == [("more_views", 1)]


def test_without_a_line_nothing_is_asked_and_the_form_stays_open(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = to_assess(workshop)
    address = f"/assess/{order.model().id}"
    form = the_form(painter.get(address).text, address, move="more_views")
    answer = painter.post(address, {**form.fields, "view": ["", " "]})
    assert answer.status_code == 422
    assert '<details class="part act" id="more_views" open>' in answer.text
    assert "Which views?" in words(answer)
    assert step_of(workshop.database, order.model()) is Step.ASSESSING


@pytest.mark.parametrize(
    ("move", "more", "ends"),
    [
        ("good", {}, Step.FINISHING),
        ("limits", {"limits": "the far ear", "agreed": "by phone, 3 March"}, Step.FINISHING),
        ("more_views", {"view": ["Left side"]}, Step.PHOTOS_WANTED),
        ("new_set", {"view": ["All round, in shade"]}, Step.PHOTOS_WANTED),
        ("by_eye", {"limits": "the far ear", "agreed": "by phone, 3 March"}, Step.FINISHING),
    ],
)
def test_each_of_the_five_outcomes_moves_the_model(
    workshop: ClockedWorkshop, painter: Browser, move: str, more: dict[str, object], ends: Step
) -> None:
    order = to_assess(workshop)
    address = f"/assess/{order.model().id}"
    form = the_form(painter.get(address).text, address, move=move)
    assert painter.post(address, {**form.fields, **more}).status_code == 303
    assert step_of(workshop.database, order.model()) is ends
    if move in ("limits", "by_eye"):
        found = rows(workshop.database, "SELECT limits, limits_agreed FROM models")
        assert found == [("the far ear", "by phone, 3 March")]
    assert len(rows(workshop.database, "SELECT id FROM news")) == 1


def test_no_new_set_is_asked_for_a_remembered_animal(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = to_assess(workshop, life="remembered")
    address = f"/assess/{order.model().id}"
    page = painter.get(address)
    assert 'value="new_set"' not in page.text
    answer = painter.post(address, {"move": "new_set", "version": "3", "view": "All", "once": "x"})
    assert answer.status_code == 409
    assert "cannot be photographed again" in words(answer)


def test_after_the_third_request_the_desk_decides(
    workshop: ClockedWorkshop, painter: Browser, desk: Browser
) -> None:
    order = to_assess(workshop)
    model, at = order.model(), NOW - DAY + 300
    for _ in range(3):
        at = walk(
            workshop.database, model, CAST.desk, at, "more_views", "photos_counted", "no_build"
        )
    address = f"/assess/{model.id}"
    page = painter.get(address)
    assert "The office decides how to go on." in words(page)
    assert 'value="more_views"' not in page.text
    ask = {"move": "more_views", "view": "Left side", "once": "x"}
    assert painter.post(address, ask).status_code == 403
    direct = {"move": "more_views", "views": "Left side", "once": "y"}
    assert painter.post(f"/pieces/model/{model.id}/move", direct).status_code == 403
    assert step_of(workshop.database, model) is Step.ASSESSING
    assert desk.post(address, {**ask, "once": "z"}).status_code == 303


def test_marks_are_completed_with_their_side_and_taken_off_when_emptied(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = to_assess(workshop)
    animal = order.animal_ids["A"]
    with workshop.database.writing() as db:
        db.execute(insert(marks).values(id=1, animal_id=animal, what="torn ear"))
        db.execute(insert(marks).values(id=2, animal_id=animal, what="a smudge"))
    address = f"/assess/{order.model().id}"
    form = the_form(painter.get(address).text, f"{address}/marks")
    typed = {
        **form.fields, "m1_side": "left", "m1_place": "head", "m1_must": "1", "m2_what": "",
        "mnew_what": "white star", "mnew_side": "none", "mnew_must": "1",
    }  # fmt: skip
    assert painter.post(f"{address}/marks", typed).status_code == 303
    found = rows(workshop.database, "SELECT what, side, place, must, gone_at IS NULL FROM marks")
    assert found == [
        ("torn ear", "left", "head", 1, 1), ("a smudge", "not_asked", "", 1, 0),
        ("white star", "none", "", 1, 1),
    ]  # fmt: skip
    page = words(painter.get(f"/orders/{order.number}"))
    for said in ("marking: white star", "marking: a smudge", "side of torn ear: not asked left"):
        assert said in page, "what was changed is told in words"
    assert "gone at" not in page
    wrong = painter.post(f"{address}/marks", {**typed, "m1_side": "sideways"})
    assert wrong.status_code == 422


def test_views_worked_from_are_named_by_number_and_changed_again(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = to_assess(workshop)
    with_pictures(workshop, order)
    with workshop.database.writing() as db:
        db.execute(insert(marks).values(id=4, animal_id=order.animal_ids["A"], what="torn ear"))
    address = f"/assess/{order.model().id}/views"
    typed = {"p_left": "1", "c_left": "whole", "p_mark:4": "3", "c_mark:4": "top"}
    assert painter.post(address, typed).status_code == 303
    query = "SELECT view, mark_id, picture_id, crop_bottom FROM reference_views ORDER BY id"
    assert rows(workshop.database, query) == [("left", None, 1, 1000), ("mark", 4, 3, 550)]
    assert painter.post(address, {"p_face": "2", "c_face": "middle"}).status_code == 303
    assert rows(workshop.database, query) == [("face", None, 2, 800)]
    for wrong in ({"p_face": "9"}, {"p_face": "x"}, {"p_face": "2", "c_face": "sky"}):
        assert painter.post(address, wrong).status_code == 422
    assert rows(workshop.database, query) == [("face", None, 2, 800)]


def test_the_page_of_a_model_without_pictures_or_check_stands(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = to_assess(workshop)
    page = painter.get(f"/assess/{order.model().id}")
    assert page.status_code == 200
    assert "There are no photos of Juniper here" in words(page)
    assert painter.get("/assess/999").status_code == 404


def test_a_model_that_is_not_assessed_now_is_judged_by_nobody(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = make_order(workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.BUILDING)])
    address = f"/assess/{order.model().id}"
    assert "There is nothing to judge now" in words(painter.get(address))
    assert painter.post(address, {"move": "good", "once": "x"}).status_code == 409
    assert painter.post(address, {"move": "cancel", "once": "x"}).status_code == 422


def test_the_piece_page_asks_which_of_several_machines(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = make_order(
        workshop.database, CAST.desk, NOW - DAY, [Wanted("Juniper", step=Step.PHOTOS_IN)]
    )
    name_machine(workshop, "Heron")
    wren = name_machine(workshop, "Wren")
    address = f"/pieces/model/{order.model().id}"
    page = painter.get(address)
    assert "Start build on Heron" in words(page)
    bare = {"move": "build_started", "once": "x"}
    answer = painter.post(f"{address}/move", bare)
    assert answer.status_code == 422
    assert "Which machine does it run on: Heron and Wren?" in words(answer)
    form = next(f for f in forms(page.text) if f.fields.get("machine") == str(wren))
    assert painter.post(form.action, form.fields).status_code == 303
    assert rows(workshop.database, "SELECT machine_id FROM builds") == [(wren,)]


def test_lines_in_the_address_open_the_request_with_them(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = to_assess(workshop)
    page = painter.get(f"/assess/{order.model().id}?views=Left+side%0ABoth+<ears>")
    assert '<details class="part act" id="more_views" open>' in page.text
    assert ">Left side</textarea>" in page.text
    assert ">Both &lt;ears&gt;</textarea>" in page.text
    page = painter.get(f"/pieces/model/{order.model().id}?views=Left+side%0ABoth+<ears>")
    assert "Left side\nBoth &lt;ears&gt;</textarea>" in page.text
