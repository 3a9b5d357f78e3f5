"""What an assessment leaves on the pages of a model and its copies: limits, marks and their place."""

import pytest
from sqlalchemy import insert

from app.flow.steps import Step
from app.tables import marks
from tests.bench.test_piece import model_at, said, tap
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address


@pytest.mark.parametrize(
    ("agreed", "words"), [("by phone", "agreed by phone"), ("", "not agreed with the customer yet")]
)
def test_what_is_judged_by_eye_stands_on_model_and_copy(
    desk: Browser, workshop: ClockedWorkshop, agreed: str, words: str
) -> None:
    made = model_at(workshop, Step.ASSESSING)
    tap(desk, made.model(), "limits", limits="the tail", agreed=agreed)
    for ref in (made.model(), made.copy("A1")):
        assert "Sculpt by eye: the tail" in said(desk, ref)
        assert words in said(desk, ref)


def test_where_a_mark_is_stands_with_it_and_it_is_completed_beside_the_pictures(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = model_at(workshop, Step.FINISHING)
    link = f'href="/assess/{made.model().id}#marks"'
    assert "None yet." in said(desk, made.model())
    assert link in desk.get(address(made.model())).text
    with workshop.database.writing() as db:
        db.execute(insert(marks).values(animal_id=made.animal_ids["A"], what="scar", place="blade"))
    assert "scar, blade side not asked" in said(desk, made.model())
    assert link in desk.get(address(made.model())).text


def test_a_remembered_animal_is_asked_for_no_more_views_in_those_words(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = model_at(workshop, Step.ASSESSING, life="remembered")
    assert "more views" not in said(desk, made.model())
    assert "Ask whether there are other photos" in said(desk, made.model())


def test_at_assessment_the_pictures_come_first_and_the_other_outcomes_are_folded_away(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = model_at(workshop, Step.ASSESSING)
    page = desk.get(address(made.model())).text
    first = page.index(f'class="button big main" href="/assess/{made.model().id}"')
    folded = page.index('<details class="part act" id="outcomes">')
    assert first < folded < page.index('value="by_eye"') < page.index('id="more_views"')
    asked = desk.get(f"{address(made.model())}?views=left+ear").text
    assert '<details class="part act" id="outcomes" open>' in asked
