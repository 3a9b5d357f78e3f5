"""Several animals on one base, page by page: ordered, edited, worked on, told and cancelled."""

import pytest
from sqlalchemy import insert

from app.flow.questions import MODEL_APPROVAL
from app.flow.steps import Step
from app.orders.facts.gather import facts_of
from app.orders.facts.order import OrderFacts
from app.orders.facts.ranges import Position
from app.orders.facts.standing import positions
from app.status.order_words import said_back
from app.status.voice import Days
from app.tables import marks, questions
from tests.making import CAST, HOUR, NOW, MadeOrder, Wanted, make_order, move, rows, step_of
from tests.orders.entry.test_entry import number_in, save
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import LOOKED_AT, at_field, the_form, words

PAIR = {
    "a0_name": "Bracken", "a0_kind": "dog", "a0c0_inscription": "Bracken & Thistle",
    "a1_name": "Thistle", "a1_kind": "dog", "a1_beside": "a0c0", "a1c0_size": "",
}  # fmt: skip
STEPS = {"a0_step": "ready", "a0_since": "2026-03-02", "a1_since": "2026-03-02"}


def grouped(workshop: ClockedWorkshop) -> list[tuple[object, ...]]:
    return rows(
        workshop.database,
        "SELECT c.letter || c.number, a.letter FROM copies c LEFT JOIN copy_companions g"
        " ON g.copy_id = c.id LEFT JOIN order_animals a ON a.id = g.order_animal_id ORDER BY c.id",
    )


def facts_now(workshop: ClockedWorkshop, order_id: int) -> OrderFacts:
    with workshop.database.reading() as db:
        return facts_of(db, order_id, workshop.in_force(), workshop.now())


@pytest.fixture
def pair(workshop: ClockedWorkshop) -> MadeOrder:
    """Two dogs on one base, each with a marking; their models are at finishing."""
    made = make_order(
        workshop.database, CAST.desk, NOW - HOUR,
        [Wanted("Bracken", kind="dog", step=Step.FINISHING),
         Wanted("Thistle", kind="dog", step=Step.FINISHING, copies=0, beside="A1")],
    )  # fmt: skip
    with workshop.database.writing() as db:
        for letter, what in (("A", "white paw"), ("B", "torn ear")):
            animal = made.animal_ids[letter]
            db.execute(insert(marks).values(animal_id=animal, what=what, side="left", must=1))
    return made


def finish(workshop: ClockedWorkshop, made: MadeOrder) -> None:
    for letter in "AB":
        move(workshop.database, made.model(letter), CAST.finisher, NOW, "model_finished")


# ---------------------------------------------------------------- ordered


def test_an_animal_is_ordered_onto_the_base_of_another(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    form = desk.post("/orders/new", PAIR | {"once": "k", "more": "again", "a1_beside": ""})
    assert '<option value="a0c0">A1, Bracken</option>' in form.text
    number = number_in(save(desk, **PAIR, then="open"))
    assert grouped(workshop) == [("A1", "B")]
    page = words(desk.get(f"/orders/{number}"))
    assert "Bracken and Thistle, on one base: 120 mm at the shoulder" in page
    assert "On one base with Bracken: 1001-A1" in page
    facts = facts_now(workshop, 1)
    assert [copy.code for copy in facts.copies] == ["1001-A1"], "it counts once"
    said = said_back(facts, Days(workshop.in_force().calendar, NOW))
    assert said[0].lines[0].startswith("Bracken and Thistle, on one base: 120 mm")


def test_two_copies_alike_are_two_groups_and_an_own_copy_is_made_besides(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    number_in(save(desk, **PAIR | {"a0c0_many": "2", "a1c0_size": "60"}))
    assert grouped(workshop) == [("A1", "B"), ("A2", "B"), ("B1", None)]


@pytest.mark.parametrize("chosen", ["a1c0", "a2c0", "a0c5", "a9c0", "x", "a0c0_size"])
def test_a_base_that_is_not_there_is_said_at_the_field(
    desk: Browser, workshop: ClockedWorkshop, chosen: str
) -> None:
    answer = save(desk, **PAIR | {"a1_beside": chosen})
    assert answer.status_code == 422
    assert "Choose a copy of an animal above" in at_field(answer, "a1_beside")
    assert grouped(workshop) == []


def test_who_stands_on_a_base_cannot_be_a_base_itself(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    third = {"a2_name": "Otis", "a2_beside": "a1c0"}
    answer = save(desk, **PAIR | third)
    assert "Choose a copy" in at_field(answer, "a2_beside")
    number_in(save(desk, **PAIR | third | {"a2_beside": "a0c0"}, once="again"))
    assert grouped(workshop) == [("A1", "B"), ("A1", "C")]


def test_an_order_under_way_has_a_group_begun_only_where_all_its_models_are_ready(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    begun = {"under_way": "1", "a0c0_step": "blank", "a0c0_since": "2026-03-03", **STEPS}
    answer = save(desk, **PAIR | begun | {"a1_step": "finishing"})
    assert "all on its base are ready" in at_field(answer, "a0c0_step")
    number_in(save(desk, **PAIR | begun | {"a1_step": "ready"}))
    assert grouped(workshop) == [("A1", "B")]


# ---------------------------------------------------------------- edited


def edit(desk: Browser, made: MadeOrder, **typed: str):
    form = the_form(desk.get(f"/orders/{made.number}/edit").text, f"/orders/{made.number}/edit")
    ticked = {name: values[0] for name, values in form.ticked.items()}
    fields = {k: v for k, v in (form.fields | ticked).items() if typed.get(k) != "off"}
    return desk.post(form.action, fields | {k: v for k, v in typed.items() if v != "off"})


def tick(made: MadeOrder, workshop: ClockedWorkshop, letter: str) -> str:
    [(line,)] = rows(workshop.database, "SELECT id FROM order_animals WHERE letter = ?", letter)
    return f"k{made.copy().id}_with_{line}"


def test_what_nobody_has_asked_of_an_animal_is_not_asked_when_it_is_put_on_a_base(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    finishing = [Wanted(name, step=Step.FINISHING) for name in ("Bracken", "Thistle")]
    made = make_order(workshop.database, CAST.desk, NOW - HOUR, finishing)
    edit(desk, made, approves="model")
    assert edit(desk, made, **{tick(made, workshop, "B"): "1"}).status_code == 303
    [(gates,)] = rows(workshop.database, "SELECT gates FROM copies WHERE letter = 'A'")
    assert [gate.partition(":")[2] for gate in str(gates).split()] == ["blank:unasked"] * 2


def test_an_animal_is_taken_off_a_base_and_gets_a_copy_of_its_own(
    desk: Browser, workshop: ClockedWorkshop, pair: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE copies SET size_mm = 80, base = 'oak', inscription = 'B & T'")
    assert edit(desk, pair, **{tick(pair, workshop, "B"): "off"}).status_code == 303
    assert grouped(workshop) == [("A1", None), ("B1", None)]
    like = rows(workshop.database, "SELECT size_mm, base, inscription FROM copies ORDER BY id")
    assert like == [(80, "oak", "B & T"), (80, "oak", "")]
    page = words(desk.get(f"/orders/{pair.number}"))
    assert "on one base with: Thistle" in page


def test_what_waits_for_no_model_any_more_begins_when_the_other_one_is_taken_off(
    desk: Browser, workshop: ClockedWorkshop, pair: MadeOrder
) -> None:
    move(workshop.database, pair.model("A"), CAST.finisher, NOW - 60, "model_finished")
    assert edit(desk, pair, **{tick(pair, workshop, "B"): "off"}).status_code == 303
    assert step_of(workshop.database, pair.copy()) is Step.BLANK
    assert rows(workshop.database, "SELECT step FROM copies WHERE letter = 'B'") == [("not_begun",)]


def test_an_animal_is_put_on_a_base_until_its_blank_is_begun(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(
        workshop.database, CAST.desk, NOW - HOUR,
        [Wanted("Bracken", step=Step.FINISHING), Wanted("Thistle", step=Step.FINISHING)],
    )  # fmt: skip
    with_b = tick(made, workshop, "B")
    with workshop.database.writing() as db:
        db.execute(
            insert(questions).values(
                order_id=made.id, model_id=made.model("B").id, topic="x", asked="?", asked_at=NOW
            )
        )
    assert edit(desk, made, **{with_b: "1"}).status_code == 303
    assert ("A1", "B") in grouped(workshop)
    assert rows(workshop.database, "SELECT gates FROM copies WHERE letter = 'A'") == [("1:",)]
    refused = edit(desk, made, **{with_b: "off"})
    assert "A question about Thistle stops this copy" in words(refused)
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE questions SET blocking = 0")
        db.exec_driver_sql("UPDATE copies SET gates = NULL")
    for letter in "AB":
        move(workshop.database, made.model(letter), CAST.finisher, NOW, "model_finished")
    page = desk.get(f"/orders/{made.number}/edit")
    assert with_b not in page.text
    assert "On one base with Thistle." in words(page)
    asked = f"k{made.copy().id}_with"
    late = edit(desk, made, **{asked: "asked"})
    assert late.status_code == 422
    assert "Its blank is begun" in words(late)


@pytest.mark.parametrize("line", ["0", "99", "x", "own"])
def test_a_line_of_no_animal_changes_nothing(
    desk: Browser, workshop: ClockedWorkshop, pair: MadeOrder, line: str
) -> None:
    own = tick(pair, workshop, "A").rpartition("_")[2]
    name = f"k{pair.copy().id}_with_{own if line == 'own' else line}"
    answer = edit(desk, pair, **{name: "1"})
    assert answer.status_code == 422
    assert grouped(workshop) == [("A1", "B")]


# ---------------------------------------------------------------- worked on


def test_its_page_shows_the_markings_of_all_and_inspection_wants_each(
    desk: Browser, workshop: ClockedWorkshop, pair: MadeOrder
) -> None:
    finish(workshop, pair)
    for key in ("blank_done", "shaped", "painted"):
        move(workshop.database, pair.copy(), CAST.shaper, NOW, key)
    path = f"/pieces/copy/{pair.copy().id}"
    page = words(desk.get(path))
    assert "Bracken and Thistle, on one base 1001-A1" in page
    assert "Bracken: white paw (left)" in page
    assert "Thistle: torn ear (left)" in page
    assert "Colours of Bracken" in page
    assert "Colours of Thistle" in page
    assert "Bracken and Thistle" in words(desk.get("/"))
    assert "Thistle: torn ear LEFT" in words(desk.get(f"/tickets?piece=copy:{pair.copy().id}"))
    one = desk.post(
        f"{path}/move", {"move": "passed", "once": "p1", "mark": "1", "check": LOOKED_AT}
    )
    assert one.status_code == 422
    assert step_of(workshop.database, pair.copy()) is Step.INSPECTION
    seen = {"mark": ["1", "2"], "check": LOOKED_AT}
    both = desk.post(f"{path}/move", {"move": "passed", "once": "p2", **seen})
    assert both.status_code == 303
    assert rows(workshop.database, "SELECT mark_id FROM mark_ticks ORDER BY 1") == [(1,), (2,)]


def test_what_caused_a_remake_names_the_model_that_was_wrong(
    desk: Browser, workshop: ClockedWorkshop, pair: MadeOrder
) -> None:
    finish(workshop, pair)
    path = f"/pieces/copy/{pair.copy().id}"
    assert "the model of Thistle" in words(desk.get(path))
    cause = f"model:{pair.model('B').id}"
    typed = {"move": "remake", "once": "r", "cause": cause, "reason": "an ear"}
    assert desk.post(f"{path}/move", typed).status_code == 303
    follows = "SELECT letter, follows_id FROM models WHERE follows_id IS NOT NULL"
    assert rows(workshop.database, follows) == [("B", pair.model("B").id)]


def test_a_no_to_the_model_of_one_has_that_one_finished_anew(
    desk: Browser, workshop: ClockedWorkshop, pair: MadeOrder
) -> None:
    typed = {
        "topic": MODEL_APPROVAL, "asked": "Is it her?", "waits": "blank", "channel": "phone",
        "about": f"model:{pair.model('B').id}", "once": "q",
    }  # fmt: skip
    assert desk.post(f"/orders/{pair.number}/ask", typed).status_code == 303
    finish(workshop, pair)
    assert step_of(workshop.database, pair.copy()) is Step.BLANK
    answer = {"answer": "No: the ears", "channel": "phone", "verdict": "no"}
    assert desk.post(f"/orders/{pair.number}/answer/1", answer).status_code == 303
    follows = "SELECT letter, follows_id FROM models WHERE follows_id IS NOT NULL"
    assert rows(workshop.database, follows) == [("B", pair.model("B").id)]
    assert grouped(workshop) == [("A1", "B"), ("A1", "B")], "the one made anew shows both"


def test_the_customer_approves_the_model_of_each(desk: Browser, workshop: ClockedWorkshop) -> None:
    number = number_in(save(desk, **PAIR, approves="model"))
    asked = (
        "SELECT m.letter FROM questions q JOIN models m ON m.id = q.model_id WHERE q.round = 1"
        " AND q.answered_at IS NULL AND EXISTS (SELECT 1 FROM copies c WHERE"
        " ' ' || c.gates LIKE '% ' || q.id || ':%') ORDER BY 1"
    )
    assert rows(workshop.database, asked) == [("A",), ("B",)], "both stand before the one piece"
    [(copy,)] = rows(workshop.database, "SELECT id FROM copies")
    page = f"/orders/{number}/edit"
    form = the_form(desk.get(page).text, page)
    desk.post(page, form.fields | {f"k{copy}_with": "asked"})
    assert grouped(workshop) == [("A1", None), ("B1", None)]
    gates = "SELECT letter, gates LIKE '% %' FROM copies ORDER BY letter"
    assert rows(workshop.database, gates) == [("A", 0), ("B", 0)], "each waits for its own alone"


# ---------------------------------------------------------------- told and cancelled


def test_a_letter_waits_for_nobody_but_who_stands_there(
    workshop: ClockedWorkshop, pair: MadeOrder
) -> None:
    assert positions(facts_now(workshop, pair.id), NOW) == [
        Position(Step.FINISHING, HOUR / 86_400)
    ], "one piece, one way"
    finish(workshop, pair)
    news = "SELECT letter FROM news WHERE kind = 'making_begun' ORDER BY letter"
    assert rows(workshop.database, news) == [("A",), ("B",)]
    facts = facts_now(workshop, pair.id)
    assert not facts.animals[1].cancelled
    assert [copy.code for copy in facts.animals[1].shared] == ["1001-A1"]


def test_one_of_the_animals_is_not_cancelled_under_the_other(
    desk: Browser, workshop: ClockedWorkshop, pair: MadeOrder
) -> None:
    why = {"reason": "changed their mind", "whose": "customer", "look_on": ""}
    for letter in "AB":
        about = f"model:{pair.model(letter).id}"
        answer = desk.post(
            f"/orders/{pair.number}/cancel", why | {"about": about, "once": f"c{letter}"}
        )
        said = words(answer)
        assert "Bracken and Thistle stand on one base (1001-A1)" in said, letter
        assert "take one off the base, or cancel that piece" in said
    assert step_of(workshop.database, pair.copy()) is Step.NOT_BEGUN
    whole = desk.post(f"/orders/{pair.number}/cancel", why | {"about": "order", "once": "all"})
    assert whole.status_code == 303
    facts = facts_now(workshop, pair.id)
    assert all(animal.cancelled for animal in facts.animals)
    assert not facts.open


def test_a_cancelled_group_leaves_nothing_of_its_animals_but_their_own_copies(
    desk: Browser, workshop: ClockedWorkshop, pair: MadeOrder
) -> None:
    why = {"reason": "no", "whose": "customer", "look_on": "", "once": "c"}
    about = {"about": f"copy:{pair.copy().id}"}
    assert desk.post(f"/orders/{pair.number}/cancel", why | about).status_code == 303
    facts = facts_now(workshop, pair.id)
    assert [animal.cancelled for animal in facts.animals] == [True, True]
    assert positions(facts, NOW) == []
