"""What the builds page says beside the queue: a doubt before a start, and what waits to be judged."""

from sqlalchemy import insert

from app.flow.steps import Step
from app.tables import photo_checks
from tests.making import CAST, DAY, NOW, Wanted, make_order, walk
from tests.photos.builds.conftest import name_machine
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words


def test_a_set_that_will_not_do_is_said_so_where_it_would_be_started(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    wanted = [Wanted("Juniper", step=Step.PHOTOS_IN)]
    model = make_order(workshop.database, CAST.desk, NOW - DAY, wanted).model()
    name_machine(workshop, "Heron")
    with workshop.database.writing() as db:
        db.execute(
            insert(photo_checks).values(
                model_id=model.id, begun_at=NOW, ended_at=NOW, verdict="will not do", result="{}"
            )
        )
    page = painter.get("/builds").text
    assert page.count('<strong class="late">▲ checked: will not do</strong>') == 1
    assert page.index("▲ checked: will not do") < page.index("Start Juniper")
    assert '<strong class="late">▲ Checked: will not do</strong>' in page


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
    assert "Checked: no build, by eye" in page
    assert "Start Biscuit" not in page
    assert "will not do" not in page


def test_what_is_built_leads_to_its_assessment(workshop: ClockedWorkshop, painter: Browser) -> None:
    wanted = [Wanted("Juniper", step=Step.PHOTOS_IN)]
    model = make_order(workshop.database, CAST.desk, NOW - DAY, wanted).model()
    assert "To be assessed" not in words(painter.get("/builds"))
    walk(workshop.database, model, CAST.finisher, NOW - 3_600, "build_started", "build_finished")
    page = painter.get("/builds")
    assert "To be assessed: Juniper 1001-A." in words(page)
    assert f'href="/assess/{model.id}"' in page.text
