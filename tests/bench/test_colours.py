"""How an animal was painted is written down once, and there for every piece after it."""

import pytest
from sqlalchemy import update

from app.bench.colours.store import zones_of
from app.flow.steps import Step
from app.tables import animals, models
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order
from tests.photos.builds.test_release import a_picture, send
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, words

PAINTED = Wanted("Juniper", step=Step.READY, copy_step=Step.PAINTING)
COAT = {"zone": "Base coat", "paint": "raw umber, yellow ochre", "mix": "3 : 1"}


@pytest.fixture
def order(workshop: ClockedWorkshop) -> MadeOrder:
    return make_order(workshop.database, CAST.desk, NOW - DAY, [PAINTED])


@pytest.fixture
def page(order: MadeOrder) -> str:
    return f"/animals/{order.animal_ids['A']}/colours"


def zones(workshop: ClockedWorkshop, order: MadeOrder) -> list[tuple[str, str]]:
    with workshop.database.reading() as db:
        return [(z.zone, z.how) for z in zones_of(db, order.animal_ids["A"])]


def the_id(workshop: ClockedWorkshop, order: MadeOrder) -> int:
    with workshop.database.reading() as db:
        return zones_of(db, order.animal_ids["A"])[0].id


def test_what_is_written_down_stands_on_every_piece_of_the_animal(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder, page: str
) -> None:
    piece = address(order.copy())
    assert "Nothing is written down yet." in words(painter.get(piece))
    assert painter.post(page, {**COAT, "layers": "three, thin"}).status_code == 303
    for ref in (order.copy(), order.model()):
        assert "raw umber, yellow ochre; 3 : 1; layers: three, thin" in words(
            painter.get(address(ref))
        )
    # So does a later order of the same animal.
    later = make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper")]).model()
    with workshop.database.writing() as db:
        own = update(models).where(models.c.id == later.id)
        db.execute(own.values(animal_id=order.animal_ids["A"]))
    assert "raw umber, yellow ochre" in words(painter.get(address(later)))


def test_a_change_takes_the_lines_place_and_what_was_before_is_kept(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder, page: str
) -> None:
    painter.post(page, COAT)
    painter.post(page, {"zone": "Eyes", "paint": "glass eyes, 3 mm, brown"})
    first = the_id(workshop, order)
    form = painter.get(f"{page}?change={first}").text
    assert 'value="raw umber, yellow ochre"' in form
    changed = {**COAT, "mix": "2 : 1", "instead": str(first)}
    assert painter.post(page, changed).status_code == 303
    assert zones(workshop, order) == [
        ("Base coat", "raw umber, yellow ochre; 2 : 1"), ("Eyes", "glass eyes, 3 mm, brown"),
    ]  # fmt: skip
    assert "Base coat: raw umber, yellow ochre; 3 : 1" in words(painter.get(page))
    # Taken out, it is among what was before.
    assert painter.post(f"/colours/{the_id(workshop, order)}/out").status_code == 303
    assert [zone for zone, _ in zones(workshop, order)] == ["Eyes"]
    assert painter.post(f"/colours/{first}/out").status_code == 404


@pytest.mark.parametrize(
    ("typed", "field", "says"),
    [
        ({"zone": "", "paint": "umber"}, "zone", "This has to be filled in."),
        ({"zone": "Points", "paint": ""}, "paint", "This has to be filled in."),
        ({"zone": "base  COAT", "paint": "sienna"}, "zone", "written down already"),
        ({"zone": "Points", "paint": "x" * 201}, "paint", "200 at most"),
        ({"zone": "Points", "paint": "um\u200bber"}, "paint", "cannot be seen"),
    ],
)
def test_what_will_not_do_comes_back_as_typed_and_nothing_is_written(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder, page: str, typed: dict[str, str],
    field: str, says: str,
) -> None:  # fmt: skip
    painter.post(page, COAT)
    before = zones(workshop, order)
    answer = painter.post(page, {**typed, "layers": "two glazes"})
    assert answer.status_code == 422
    assert says in words(answer)
    assert f'id="e-{field}"' in answer.text
    assert 'value="two glazes"' in answer.text
    assert zones(workshop, order) == before


def test_a_line_that_somebody_changed_meanwhile_is_not_written_over(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder, page: str
) -> None:
    painter.post(page, COAT)
    first = str(the_id(workshop, order))
    painter.post(page, {**COAT, "mix": "2 : 1", "instead": first})
    late = {**COAT, "zone": "Shade", "mix": "1 : 1", "instead": first}
    answer = painter.post(page, late)
    assert answer.status_code == 409
    assert 'value="1 : 1"' in answer.text
    assert zones(workshop, order) == [("Base coat", "raw umber, yellow ochre; 2 : 1")]
    # Saved twice by a double tap, it is saved once.
    again = {**COAT, "mix": "2 : 1", "instead": first}
    assert painter.post(page, again).status_code == 303
    assert len(zones(workshop, order)) == 1


def test_a_chip_has_a_photo_without_the_files_own_data(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder, page: str
) -> None:
    painter.post(page, COAT)
    first = the_id(workshop, order)
    assert send(painter, f"{page}/{first}/chip", a_picture(600, 400)).status_code == 303
    photo = painter.get(f"/chips/{first}")
    assert photo.headers["content-type"] == "image/jpeg"
    assert b"Goosecam" not in photo.content
    assert f"/chips/{first}" in painter.get(address(order.copy())).text
    # It stays with the zone when the mix changes; what is no picture is refused in words.
    painter.post(page, {**COAT, "mix": "2 : 1", "instead": str(first)})
    then = the_id(workshop, order)
    assert painter.get(f"/chips/{then}").content == photo.content
    refused = send(painter, f"{page}/{then}/chip", b"not a picture", "chip.jpg")
    assert refused.status_code == 422
    assert "can’t be used" in words(refused)
    assert painter.get("/chips/999").status_code == 404


def test_the_book_finds_a_coat_a_paint_and_a_name(
    workshop: ClockedWorkshop, painter: Browser, desk: Browser, order: MadeOrder, page: str
) -> None:
    assert "No colours have been written down yet" in words(painter.get("/colours"))
    painter.post(page, COAT)
    with workshop.database.writing() as db:
        db.execute(update(animals).values(breed="Connemara", colours="blue roan"))
    for asked in ("", "blue roan", "ROAN connemara", "ochre", "juniper coat"):
        assert "raw umber, yellow ochre" in words(desk.get(f"/colours?q={asked}")), asked
    assert "No colours fit “skewbald”" in words(desk.get("/colours?q=skewbald"))
