"""What customers say of what was made goes to those who made it."""

import pytest

from app.flow.steps import Step
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, rows, walk
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import at_field, typed_in, words

SAID = {"words": "It is her.\nEven the ear.", "may_show": "yes", "show_what": "your own page"}


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """A copy that Pilar painted, that was received."""
    wanted = [Wanted(step=Step.READY, copy_step=Step.PAINTING)]
    made = make_order(workshop.database, CAST.desk, NOW - 9 * DAY, wanted)
    walk(workshop.database, made.copy(), CAST.painter, NOW - 8 * DAY, "painted")
    walk(
        workshop.database,
        made.copy(),
        CAST.owner,
        NOW - 7 * DAY,
        "passed",
        "handed_over",
        "received",
    )
    return made


def test_what_they_said_is_read_in_the_break_room_by_those_who_made_it(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    where = f"/orders/{made.number}/turned-out"
    assert desk.post(where, {**SAID, "once": "a"}).status_code == 303
    assert desk.post(where, {**SAID, "once": "a"}).status_code == 409
    desk.as_(workshop, CAST.painter)
    said = words(desk.get("/break-room"))
    assert "It is her." in said
    assert "Even the ear." in said
    assert "Made by Odile, Pilar." in said
    assert "Yes: your own page" in said
    assert desk.post(where, SAID).status_code == 403
    desk.as_(workshop, CAST.desk)
    assert desk.post(f"{where}/1", {"may_show": "no"}).status_code == 303
    assert rows(workshop.database, "SELECT may_show, show_on FROM customer_words") == [
        ("no", "2026-03-04")
    ]
    assert desk.post(f"{where}/1", {"act": "strike"}).status_code == 303
    assert "It is her." not in words(desk.get("/break-room"))


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"words": ""}, "words"),
        ({"may_show": "perhaps"}, "may_show"),
        ({"show_what": ""}, "show_what"),
        ({"show_on": "2099-01-01"}, "show_on"),
    ],
)
def test_bad_input_is_named_at_its_field_and_what_was_typed_stays(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, typed: dict[str, str], field: str
) -> None:
    answer = desk.post(f"/orders/{made.number}/turned-out", {**SAID, **typed})
    assert answer.status_code == 422
    assert at_field(answer, field)
    if field != "words":
        assert typed_in(answer, "words") == SAID["words"]
    assert rows(workshop.database, "SELECT id FROM customer_words") == []
