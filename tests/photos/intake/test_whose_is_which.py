"""Pictures of one delivery are given to animals, then counted; the models move on."""

import pytest

from app.flow.steps import Step
from app.orders.order.photos_told import ToldFields, photos_told
from app.photos.intake import sorting
from tests.making import CAST, NOW, MadeOrder, piece, rows, step_of, walk
from tests.photos.intake.shots import Desk, jpeg
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import forms, words

pytestmark = pytest.mark.usefixtures("workshop")


@pytest.fixture
def pair(workshop: ClockedWorkshop, desk: Browser, two: MadeOrder) -> Desk:
    """Two animals, six pictures: three, a pause of a quarter of an hour, three."""
    at = Desk(workshop, desk, two)
    moments = ["10:00:00", "10:00:07", "10:00:15", "10:16:00", "10:16:06", "10:16:14"]
    shots = [(f"{k}.jpg", jpeg(k, f"2026:03:03 {m}")) for k, m in enumerate(moments)]
    assert at.bring(shots).json()["kept"] == 6
    return at


def given(at: Desk) -> dict[str, list[str]]:
    query = (
        "SELECT m.letter, p.name FROM picture_models pm JOIN models m ON m.id = pm.model_id"
        " JOIN pictures p ON p.id = pm.picture_id ORDER BY m.letter, p.name"
    )
    found: dict[str, list[str]] = {}
    for letter, name in rows(at.workshop.database, query):
        found.setdefault(str(letter), []).append(str(name))
    return found


def test_of_one_animal_nothing_has_to_be_sorted(photo_desk: Desk) -> None:
    photo_desk.bring([("a.jpg", jpeg(1)), ("b.jpg", jpeg(2))])
    assert given(photo_desk) == {"A": ["a.jpg", "b.jpg"]}


def test_ticks_a_range_and_nobody(pair: Desk) -> None:
    a, b = (str(pair.order.model(letter).id) for letter in "AB")
    ids = pair.ids()
    pair.give(give=a, tick=ids[:2])
    pair.give(give=b, first="3", last="6")
    assert given(pair) == {"A": ["0.jpg", "1.jpg"], "B": ["2.jpg", "3.jpg", "4.jpg", "5.jpg"]}
    pair.give(give="0", tick=ids[5])
    pair.give(give=a, tick=ids[2], also="1")
    assert given(pair) == {"A": ["0.jpg", "1.jpg", "2.jpg"], "B": ["2.jpg", "3.jpg", "4.jpg"]}


def test_the_camera_s_clock_suggests_two_runs(pair: Desk) -> None:
    page = pair.browser.get(f"/photos/deliveries/{pair.delivery}/sorting")
    assert "1 to 3, then a pause of 15 minutes, 4 to 6" in words(page)
    a, b = (pair.order.model(letter).id for letter in "AB")
    [form] = [f for f in forms(page.text) if f.action.endswith("/sorting")]
    assert ("give", f"{a}:1-3") in form.buttons
    pair.give(give=f"{a}:1-3")
    pair.give(give=f"{b}:4-6")
    assert given(pair) == {"A": ["0.jpg", "1.jpg", "2.jpg"], "B": ["3.jpg", "4.jpg", "5.jpg"]}


def test_what_the_clock_suggests_is_given_in_one_tap(pair: Desk) -> None:
    where = f"/photos/deliveries/{pair.delivery}/sorting"
    a, b = (pair.order.model(letter).id for letter in "AB")
    both = f"{a}:1-3,{b}:4-6"
    [form] = [f for f in forms(pair.browser.get(where).text) if f.action.endswith("/sorting")]
    assert ("give", both) in form.buttons
    answer = pair.give(give=both)
    assert "3 assigned to Juniper. 3 assigned to Otis." in words(answer)
    assert given(pair) == {"A": ["0.jpg", "1.jpg", "2.jpg"], "B": ["3.jpg", "4.jpg", "5.jpg"]}
    assert "The camera's clock" not in words(answer)


def test_where_photos_are_wanted_of_one_animal_only_all_are_given_to_it_in_one_tap(
    workshop: ClockedWorkshop, pair: Desk
) -> None:
    where = f"/photos/deliveries/{pair.delivery}/sorting"
    a, b = (pair.order.model(letter) for letter in "AB")
    assert "Photos are wanted of" not in words(pair.browser.get(where))
    pair.give(give=f"{a.id}:1-3,{b.id}:4-6")
    pair.count()
    walk(workshop.database, b, CAST.finisher, NOW, "more_views")
    photos_told(workshop, pair.order.id, ToldFields(), CAST.desk, "")
    assert pair.bring([("more1.jpg", jpeg(31)), ("more2.jpg", jpeg(32))]).json()["kept"] == 2
    page = pair.browser.get(f"/photos/deliveries/{pair.delivery}/sorting")
    assert "Photos are wanted of Otis only. Both show Otis" in words(page)
    pair.give(give=f"{b.id}:1-2")
    assert given(pair)["B"] == ["3.jpg", "4.jpg", "5.jpg", "more1.jpg", "more2.jpg"]


def test_counting_moves_each_model_on_with_its_own_number(pair: Desk) -> None:
    a, b = (pair.order.model(letter) for letter in "AB")
    pair.give(give=f"{a.id}:1-4")
    refused = pair.count()
    assert refused.status_code == 422
    assert "2 of 6 are still unassigned." in words(refused)
    pair.give(give=f"{b.id}:5-6")
    assert pair.count().status_code == 303
    assert [step_of(pair.workshop.database, ref) for ref in (a, b)] == [Step.PHOTOS_IN] * 2
    assert rows(pair.workshop.database, "SELECT pictures FROM models ORDER BY letter") == [
        (4,),
        (2,),
    ]
    moved = "SELECT amount FROM transitions WHERE move = 'photos_counted' ORDER BY id"
    assert rows(pair.workshop.database, moved) == [(4,), (2,)]
    assert rows(pair.workshop.database, "SELECT files_counted FROM photo_deliveries") == [(6,)]
    news = rows(pair.workshop.database, "SELECT letter FROM news WHERE kind = 'photos_counted'")
    assert sorted(news) == [("A",), ("B",)]


def test_an_animal_without_a_picture_goes_on_waiting(pair: Desk) -> None:
    a, b = (pair.order.model(letter) for letter in "AB")
    pair.give(give=f"{a.id}:1-6")
    pair.count()
    assert step_of(pair.workshop.database, a) is Step.PHOTOS_IN
    assert step_of(pair.workshop.database, b) is Step.PHOTOS_WANTED


def test_a_double_tap_counts_once(pair: Desk) -> None:
    a = pair.order.model("A")
    pair.give(give=f"{a.id}:1-6")
    pair.count()
    version = piece(pair.workshop.database, a).version
    pair.count()
    assert piece(pair.workshop.database, a).version == version
    assert rows(pair.workshop.database, "SELECT pictures FROM models WHERE letter = 'A'") == [(6,)]


def test_more_views_join_the_pictures_that_are_here(
    workshop: ClockedWorkshop, photo_desk: Desk
) -> None:
    from app.orders.order.photos_told import ToldFields, photos_told
    from tests.making import walk

    ref = photo_desk.order.model()
    photo_desk.bring([("a.jpg", jpeg(1)), ("b.jpg", jpeg(2))])
    photo_desk.count()
    workshop.moment = (
        walk(workshop.database, ref, CAST.finisher, workshop.moment, "more_views") + 60
    )
    photos_told(workshop, photo_desk.order.id, ToldFields(way="mail"), CAST.desk, "again")
    photo_desk.bring([("c.jpg", jpeg(3)), ("a.jpg", jpeg(1))])
    assert photo_desk.names() == ["c.jpg"]
    assert photo_desk.count(once="second").status_code == 303
    assert rows(workshop.database, "SELECT pictures FROM models") == [(3,)]
    assert given(photo_desk) == {"A": ["a.jpg", "b.jpg", "c.jpg"]}


def test_a_picture_of_another_delivery_or_model_is_not_given(
    pair: Desk, workshop: ClockedWorkshop
) -> None:
    from tests.making import Wanted
    from tests.photos.intake.conftest import told

    other = told(workshop, [Wanted("Bramble")])
    strange = pair.give(give=str(other.model().id), tick=pair.ids()[:1])
    assert strange.status_code == 422
    assert pair.give(give=str(pair.order.model("A").id), tick=["999999"]).status_code == 422
    assert pair.give(give="x", tick=pair.ids()[:1]).status_code == 422
    assert given(pair) == {}


def test_runs_need_dates_and_pauses_that_stand_out() -> None:
    steady = [f"2026:03:03 10:00:{s:02d}" for s in range(0, 60, 6)]
    assert sorting.runs(steady, 2) == []
    assert sorting.runs([*steady, "no date"], 2) == []
    later = [f"2026:03:03 10:30:{s:02d}" for s in range(0, 60, 6)]
    assert [(r.first, r.last) for r in sorting.runs([*steady, *later], 2)] == [(1, 10), (11, 20)]
    assert sorting.runs([*steady, *later], 3) == []


@pytest.mark.parametrize(
    ("first", "last", "places"),
    [("2", "4", [1, 2, 3]), ("4", "2", [1, 2, 3]), ("3", "", [2]), ("0", "99", [0, 1, 2, 3, 4]),
     ("x", "4", []), ("٣", "4", [])],
)  # fmt: skip
def test_a_typed_range_is_read_as_meant(first: str, last: str, places: list[int]) -> None:
    assert list(sorting.in_range(first, last, 5)) == places


def test_a_count_that_is_undone_can_be_made_again(photo_desk: Desk) -> None:
    from app.flow.amendments import undo

    workshop, ref = photo_desk.workshop, photo_desk.order.model()
    photo_desk.bring([("a.jpg", jpeg(1)), ("b.jpg", jpeg(2))])
    photo_desk.count()
    [(entry,)] = rows(
        workshop.database, "SELECT max(id) FROM transitions WHERE move = 'photos_counted'"
    )
    undo(workshop.database, int(str(entry)), CAST.desk, workshop.now())
    assert step_of(workshop.database, ref) is Step.PHOTOS_WANTED
    assert "Juniper" in words(photo_desk.browser.get("/photos"))
    assert photo_desk.count(once="again").status_code == 303
    assert step_of(workshop.database, ref) is Step.PHOTOS_IN
    assert rows(workshop.database, "SELECT pictures FROM models") == [(2,)]
