"""Job tickets: what they say, of which pieces, and what stays off them."""

import re
from urllib.parse import quote

from sqlalchemy import insert, update

from app.flow.steps import Step
from app.orders.order import parts as part_actions
from app.orders.order.parts import PartFields
from app.tables import copies, customers, marks, orders
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, move
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, words


def shaped(workshop: ClockedWorkshop) -> MadeOrder:
    """An order of Juniper, at shaping since yesterday, with a mark, an inscription and notes."""
    wanted = [Wanted(name="Juniper", step=Step.READY, copy_step=Step.SHAPING, copies=2)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    with workshop.database.writing() as db:
        animal = made.animal_ids["A"]
        db.execute(insert(marks).values(animal_id=animal, what="star", side="none"))
        db.execute(insert(marks).values(animal_id=animal, what="white sock", side="left"))
        db.execute(update(copies).where(copies.c.id == made.copy().id).values(
            inscription="For Bo", bench_note="ears first", size_mm=120, measured="shoulder",
        ))  # fmt: skip
        db.execute(update(orders).values(bench_note="no gloss", ship_lines="3 Quay Lane"))
        db.execute(update(customers).values(name="Hester Quillfeather"))
    return made


def test_a_ticket_says_what_the_bench_needs_and_nothing_of_the_customer(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    made = shaped(workshop)
    page = painter.get(f"/tickets?piece={made.copy()}")
    said = words(page)
    for wanted in ("1001-A1", "Juniper", "120 mm at the shoulder", "star", "white sock LEFT",
                   "ears first", "no gloss", "spelling not confirmed yet", "Take care"):  # fmt: skip
        assert wanted in said, wanted
    letters = re.findall(r"<b>(.)</b>", page.text.split("ticket-letters")[1].split("</p>")[0])
    assert letters == ["F", "o", "r", "␣", "B", "o"]
    assert "6 signs" in said
    for private in ("Quillfeather", "Hester", "Quay"):
        assert private not in said, private


def test_a_ticket_names_the_parts_that_are_to_come(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    made = shaped(workshop)
    eyes = PartFields(
        kind="glass eyes",
        what="4 mm",
        supplier="",
        ordered_on="",
        due_on="2026-03-20",
        about=str(made.copy()),
    )
    part_actions.add(workshop, made.id, eyes, CAST.desk, "once")
    said = words(painter.get(f"/tickets?piece={made.copy()}"))
    assert "To come: The glass eyes for 1001-A1" in said
    assert "20 Mar" in said
    assert "To come" not in words(painter.get(f"/tickets?piece={made.copy('A2')}"))


def test_an_order_has_a_ticket_for_each_piece_that_is_being_made(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    shaped(workshop)
    assert desk.get("/tickets?order=1001&paper=A5").text.count('<article class="ticket">') == 2
    assert desk.get("/tickets?order=77").status_code == 404
    for number in ("9" * 30, "-1", "x"):
        assert 400 <= desk.get(f"/tickets?order={number}").status_code < 500


def test_what_came_to_a_step_today_is_printed_together(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    made = shaped(workshop)
    assert "no piece came there today" in words(painter.get("/tickets?step=painting"))
    move(workshop.database, made.copy(), CAST.shaper, NOW - 60, "shaped")
    page = painter.get("/tickets?step=painting").text
    assert page.count('<article class="ticket">') == 1
    assert painter.get("/tickets?step=ready").status_code == 404


def test_a_remade_piece_says_why_until_it_has_passed(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    made = shaped(workshop)
    move(workshop.database, made.copy(), CAST.shaper, NOW - 60, "back_to_blank",
         reason="a chipped ear", cause="blank")  # fmt: skip
    said = words(painter.get(f"/tickets?piece={made.copy()}"))
    assert "Made again: a chipped ear (the blank)" in said


def test_an_address_that_a_scanner_types_into_the_find_box_opens_the_piece(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    made = shaped(workshop)
    at = address(made.copy())
    found = painter.get(f"/find?q={quote(f'http://studio.example:8000{at}')}")
    assert found.status_code == 303
    assert found.headers["location"] == at
    assert painter.get("/find?q=elsewhere.example").status_code == 200
