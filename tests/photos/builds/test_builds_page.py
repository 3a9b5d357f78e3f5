"""What the builds page says beside the queue: a doubt before a start, and what waits to be judged."""

import json
import re

import pytest
from sqlalchemy import insert

from app.flow.steps import Step
from app.flow.store import Ref
from app.tables import photo_checks
from tests.making import CAST, DAY, NOW, Wanted, make_order, rows, walk
from tests.photos.builds.conftest import name_machine, tick
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, the_form, words

REASON = "From behind there is a gap of 90 degrees."


def refused(workshop: ClockedWorkshop, *names: str) -> list[Ref]:
    """Sets that wait for a machine, one an order; the check refused the first."""
    refs = [
        make_order(
            workshop.database, CAST.desk, NOW - (9 - n) * DAY, [Wanted(name, step=Step.PHOTOS_IN)]
        ).model()
        for n, name in enumerate(names)
    ]
    with workshop.database.writing() as db:
        db.execute(
            insert(photo_checks).values(
                model_id=refs[0].id, begun_at=NOW, ended_at=NOW, verdict="will not do",
                result=json.dumps({"reasons": [{"text": REASON, "pictures": [], "weight": "grave"}]}),
            )
        )  # fmt: skip
    return refs


def runs(workshop: ClockedWorkshop) -> int:
    return len(rows(workshop.database, "SELECT id FROM builds"))


def test_a_set_that_the_check_refused_is_not_the_next_to_start(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    refused(workshop, "Juniper", "Otis")
    name_machine(workshop, "Heron")
    page = painter.get("/builds").text
    assert '<strong class="late">▲ Checked: not usable</strong>' in page
    assert "Start Juniper" not in page
    assert "Start Otis" in page


def test_refused_sets_are_started_from_the_builds_page_by_a_second_press(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    refs = refused(workshop, "Juniper", "Otis")
    machine = name_machine(workshop, "Heron", places=2)
    ticked = [tick(workshop.database, ref) for ref in refs]
    form = {"machine": str(machine), "set": ticked, "once": "k1"}
    asked = painter.post("/builds/start", form)
    assert asked.status_code == 409
    assert f"The check calls the photos of Juniper 1001-A not usable: {REASON}" in words(asked)
    assert "Otis 1002-A:" not in words(asked)
    assert runs(workshop) == 0
    yes = the_form(asked.text, "/builds/start", holds="sure")
    assert "Start them anyway" in words(asked)
    assert painter.post(yes.action, {**yes.fields, "set": ticked}).status_code == 303
    assert runs(workshop) == 2


@pytest.mark.parametrize("machines", [("Heron",), ("Heron", "Wren")])
def test_a_refused_set_is_started_from_its_own_page_by_a_second_press(
    workshop: ClockedWorkshop, painter: Browser, machines: tuple[str, ...]
) -> None:
    [juniper] = refused(workshop, "Juniper")
    for name in machines:
        name_machine(workshop, name)
    do = f"/pieces/model/{juniper.id}/move"
    form = the_form(painter.get(address(juniper)).text, do, move="build_started")
    asked = painter.post(do, form.fields)
    assert asked.status_code == 422
    assert REASON in words(asked)
    assert runs(workshop) == 0
    yes = the_form(asked.text, do, holds="sure")
    assert yes.fields.get("machine") == form.fields.get("machine")
    assert painter.post(do, yes.fields).status_code == 303
    assert runs(workshop) == 1


def test_a_refused_set_is_started_from_the_benches_by_a_second_press(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    [juniper] = refused(workshop, "Juniper")
    name_machine(workshop, "Heron")
    press = {"move": f"build_started:{tick(workshop.database, juniper)}", "once": "b"}
    asked = painter.post("/benches/move", press)
    assert asked.status_code == 409
    assert REASON in words(asked)
    found = re.search(r'value="([^"]*build_started:[^"]*)">Start it anyway', asked.text)
    assert found is not None
    assert painter.post("/benches/move", {"move": found[1], "once": "c"}).status_code == 303
    assert runs(workshop) == 1


def test_what_no_machine_has_room_for_is_refused_before_anything_is_asked(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    refs = refused(workshop, "Juniper", "Otis")
    machine = name_machine(workshop, "Heron")
    ticked = [tick(workshop.database, ref) for ref in refs]
    answer = painter.post("/builds/start", {"machine": str(machine), "set": ticked, "once": "k"})
    assert "Heron has one free place, and two sets were chosen." in words(answer)
    assert "anyway" not in words(answer)


def test_a_remembered_animal_without_a_build_is_not_the_next_to_start(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    wanted = [Wanted("Biscuit", step=Step.PHOTOS_IN, life="remembered")]
    model = make_order(workshop.database, CAST.desk, NOW - DAY, wanted).model()
    name_machine(workshop, "Heron")
    assert "Start Biscuit" in words(painter.get("/builds"))
    with workshop.database.writing() as db:
        db.execute(
            insert(photo_checks).values(
                model_id=model.id, begun_at=NOW, ended_at=NOW, verdict="will not do", result="{}"
            )
        )
    page = words(painter.get("/builds"))
    assert "Checked: sculpt by eye" in page
    assert "Start Biscuit" not in page
    assert "not usable" not in page


def test_what_is_built_leads_to_its_assessment(workshop: ClockedWorkshop, painter: Browser) -> None:
    wanted = [Wanted("Juniper", step=Step.PHOTOS_IN)]
    model = make_order(workshop.database, CAST.desk, NOW - DAY, wanted).model()
    assert "Ready to assess" not in words(painter.get("/builds"))
    walk(workshop.database, model, CAST.finisher, NOW - 3_600, "build_started", "build_finished")
    page = painter.get("/builds")
    assert "Ready to assess: Juniper 1001-A." in words(page)
    assert f'href="/assess/{model.id}"' in page.text
