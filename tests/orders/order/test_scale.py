"""Where a size is measured, the scale that follows, and several animals at one scale."""

import pytest

from app.flow.steps import Step
from app.orders.facts.gather import facts_of
from app.status.piece_words import described
from tests.making import CAST, NOW, MadeOrder, Wanted, make_order, rows
from tests.orders.entry.test_entry import number_in, save
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import at_field, typed_in, words

FOAL = {"a1_name": "Otis", "a1_kind": "foal", "a1c0_size": "90", "a1_height": "102 cm"}


def sizes_of(workshop: ClockedWorkshop) -> list[tuple[object, ...]]:
    return rows(workshop.database, "SELECT letter, size_mm, measured FROM copies ORDER BY id")


def test_a_size_is_measured_as_usual_for_the_kind_unless_it_is_said(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    number = number_in(
        save(
            desk, a0_height="16 hands", a0c1_size="90", a0c1_measured="height", a1_name="Otis",
            a1_kind="tortoise", a1c0_size="120", a1_height="shell 24 cm long", a2_name="Hettie",
            a2c0_size="70", then="open",
        )
    )  # fmt: skip
    assert sizes_of(workshop) == [
        ("A", 120, "shoulder"), ("A", 90, "height"), ("B", 120, "length"), ("C", 70, None),
    ]  # fmt: skip
    page = words(desk.get(f"/orders/{number}"))
    # 1625.6 / 120 = 13.5; 240 / 120 = 2.
    for said in ("120 mm at the shoulder, about 1 : 14", "90 mm high, base included",
                 "120 mm long, about 1 : 2", "70 mm "):  # fmt: skip
        assert said in page
    with workshop.database.reading() as db:
        facts = facts_of(db, 1, workshop.in_force(), workshop.now())
    first = facts.animals[0].copies[0]
    said = described(first).replace("\N{NO-BREAK SPACE}", " ")
    assert said.startswith("120 mm at the shoulder (about 1 : 14), standing")


def test_it_can_be_edited_and_what_nobody_said_stays_unsaid(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted(copies=2)])
    form = desk.get(f"/orders/{made.number}/edit")
    one, two = (made.copy(code).id for code in ("A1", "A2"))
    typed = {"seen": typed_in(form, "seen"), f"k{one}_size": "80", f"k{one}_measured": "back",
             f"k{two}_size": "80", f"k{two}_measured": ""}  # fmt: skip
    assert desk.post(f"/orders/{made.number}/edit", typed).status_code == 303
    assert sizes_of(workshop) == [("A", 80, "back"), ("A", 80, None)]
    changed = "SELECT field FROM changes WHERE of = 'copies' ORDER BY id"
    assert rows(workshop.database, changed) == [("size_mm",), ("measured",), ("size_mm",)]
    wrong = desk.post(f"/orders/{made.number}/edit", typed | {f"k{one}_measured": "tail"})
    assert wrong.status_code == 422
    assert sizes_of(workshop) == [("A", 80, "back"), ("A", 80, None)]


@pytest.fixture
def mare_and_foal(desk: Browser, workshop: ClockedWorkshop) -> int:
    return number_in(save(desk, a0_height="16 hands", a0c1_size="120", **FOAL, then="open"))


def test_two_animals_are_set_to_one_scale(
    desk: Browser, workshop: ClockedWorkshop, mare_and_foal: int
) -> None:
    assert "Set the animals to one scale" in words(desk.get(f"/orders/{mare_and_foal}"))
    answer = desk.post(f"/orders/{mare_and_foal}/scale", {"scale": "1 : 12"})
    assert answer.status_code == 303
    # 1625.6 / 12 = 135.5 and 1020 / 12 = 85.
    assert [size for _, size, _ in sizes_of(workshop)] == [135, 135, 85]
    page = words(desk.get(f"/orders/{mare_and_foal}"))
    assert page.count("about 1 : 12") >= 3
    # The page of the customer is written anew, and who changed it is kept.
    assert rows(workshop.database, "SELECT wanted > written FROM status_pages") == [(1,)]
    assert "size" in page


def test_what_is_begun_keeps_its_size(desk: Browser, workshop: ClockedWorkshop) -> None:
    wanted = [Wanted("Juniper", step=Step.READY, copy_step=Step.SHAPING), Wanted("Otis")]
    made: MadeOrder = make_order(workshop.database, CAST.desk, NOW, wanted)
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE copies SET size_mm = 60, measured = 'shoulder'")
        db.exec_driver_sql("UPDATE animals SET height = '1 m'")
    assert desk.post(f"/orders/{made.number}/scale", {"scale": "10"}).status_code == 303
    assert [size for _, size, _ in sizes_of(workshop)] == [60, 100]


@pytest.mark.parametrize(
    ("typed", "says"),
    [("", "A number"), ("0", "A number"), ("300", "A number"), ("1:x", "A number"),
     ("1e2", "A number"), ("nine", "A number"), ("200", None), ("199", None)],
)  # fmt: skip
def test_a_scale_that_will_not_do_is_said_at_its_field(
    desk: Browser, workshop: ClockedWorkshop, mare_and_foal: int, typed: str, says: str | None
) -> None:
    before = sizes_of(workshop)
    answer = desk.post(f"/orders/{mare_and_foal}/scale", {"scale": typed})
    if says is None:
        assert answer.status_code == 303
        return
    assert answer.status_code == 422
    assert says in at_field(answer, "scale")
    assert (typed_in(answer, "scale") or "") == typed
    assert sizes_of(workshop) == before


def test_a_scale_that_makes_no_piece_or_fits_none_is_refused(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    tall = number_in(save(desk, once="1", a0_height="9 m", **FOAL, then="open"))
    answer = desk.post(f"/orders/{tall}/scale", {"scale": "1"})
    assert "That would make 1020 mm, 9000 mm" in at_field(answer, "scale")
    unsaid = number_in(save(desk, once="2", name="Ruth Amsel", mail="", phone="", then="open"))
    answer = desk.post(f"/orders/{unsaid}/scale", {"scale": "9"})
    assert answer.status_code == 422
