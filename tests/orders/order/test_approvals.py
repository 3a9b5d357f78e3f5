"""What the customer of an order approves: required from the beginning, and no piece passes it."""

import pytest

from app.flow.gates import Gate
from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.orders.facts.gather import facts_of_many
from app.upkeep.audit import audit
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, piece, rows, step_of
from tests.moving.test_gates import press
from tests.orders.entry.test_entry import TYPED
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, the_form, words

ROUNDS = "SELECT topic, round, asked, verdict, dropped FROM questions ORDER BY id"


def gates_of(workshop: ClockedWorkshop, ref: Ref) -> tuple[Gate, ...]:
    return piece(workshop.database, ref).state.gates


def finishing(workshop: ClockedWorkshop, approves: str | None = "both", **more: str) -> MadeOrder:
    wanted = [Wanted("Hettie", step=Step.FINISHING, **more)]
    return make_order(workshop.database, CAST.desk, NOW - DAY, wanted, approves=approves)


def edit(desk: Browser, made: MadeOrder, approves: str) -> int:
    where = f"/orders/{made.number}/edit"
    form = the_form(desk.get(where).text, where)
    return desk.post(where, {**form.fields, "approves": approves}).status_code


def set_to(workshop: ClockedWorkshop, name: str, value: str) -> None:
    with workshop.database.writing() as db:
        db.exec_driver_sql("INSERT INTO settings VALUES (?, ?, 0, NULL)", (name, value))
    workshop.forget()


def to_redo(workshop: ClockedWorkshop, made: MadeOrder) -> list[tuple[str, str]]:
    """What the customer reads that they want otherwise, with the letter of the animal."""
    with workshop.database.reading() as db:
        facts = facts_of_many(db, [made.id], workshop.in_force(), workshop.now())[made.id]
    return [(question.topic, question.letter) for question in facts.to_redo]


def sound(workshop: ClockedWorkshop) -> None:
    assert audit(workshop.folder, workshop.moment).differences == []


def test_a_copy_stops_before_anybody_has_asked_and_the_time_is_ours(
    desk: Browser, owner: Browser, workshop: ClockedWorkshop
) -> None:
    made, copy = (made := finishing(workshop)), made.copy()
    unasked = (Gate(1, Step.BLANK, unasked=True), Gate(2, Step.INSPECTION, unasked=True))
    assert gates_of(workshop, copy) == unasked
    assert press(desk, workshop, made.model(), "model_finished").status_code == 303
    state = piece(workshop.database, copy).state
    assert (state.step, state.stopped, state.asked) == (Step.BLANK, True, False)
    answer = press(desk, workshop, copy, "blank_done")
    assert answer.status_code == 409
    waits = (
        "Imre Castellan approves the model of Hettie first; blank waits for that. Send the pictures"
    )
    assert waits in words(answer)
    benches = words(desk.get("/"))
    assert "pictures to send to the customer" in benches
    assert "To be approved: model" in benches
    assert "Hettie" not in words(desk.get("/?show=waiting")), "it is our turn"
    assert "approval" not in words(desk.get("/waiting"))
    page = words(desk.get(f"/orders/{made.number}"))
    assert "The customer approves the model and the paint." in page
    assert (
        "Model approval: the customer has been shown nothing yet. Blank and what comes after waits"
        in page
    )
    assert owner.post(f"/orders/{made.number}/override/1", {"reason": "seen"}).status_code == 303
    for move in ("blank_done", "start", "shaped", "start", "painted"):
        assert press(desk, workshop, copy, move).status_code == 303, move
    assert press(desk, workshop, copy, "start").status_code == 409, "and the paint?"
    assert "approves the painting of Hettie first" in words(desk.get(address(copy)))
    sound(workshop)


def test_nothing_of_what_is_not_asked_yet_is_a_question_to_the_customer(
    workshop: ClockedWorkshop,
) -> None:
    made = finishing(workshop)
    with workshop.database.reading() as db:
        facts = facts_of_many(db, [made.id], workshop.in_force(), NOW)[made.id]
    assert facts.questions == ()
    assert facts.to_approve == {"model approval", "paint approval"}


@pytest.mark.parametrize("blank_on", [True, False])
def test_without_blanks_the_shaping_waits(
    desk: Browser, workshop: ClockedWorkshop, blank_on: bool
) -> None:
    made = finishing(workshop, "model")
    if not blank_on:
        set_to(workshop, "blank_on", "false")
    press(desk, workshop, made.model(), "model_finished")
    first, move = (Step.BLANK, "blank_done") if blank_on else (Step.SHAPING, "start")
    assert step_of(workshop.database, made.copy()) is first
    assert press(desk, workshop, made.copy(), move).status_code == 409


def test_a_no_requires_the_next_round_of_the_work_that_is_done_anew(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = finishing(workshop)
    press(desk, workshop, made.model(), "model_finished")
    where = f"/orders/{made.number}/answer/"
    said = {"answer": "The ears are too long.", "verdict": "no", "channel": "phone"}
    assert desk.post(f"{where}1", said).status_code == 303
    assert step_of(workshop.database, made.copy()) is Step.REPLACED
    again = Ref(Of.COPY, made.copy().id + 1)
    assert [gate.step for gate in gates_of(workshop, again)] == [Step.BLANK, Step.INSPECTION]
    assert rows(workshop.database, ROUNDS) == [
        ("model approval", 1, "", "no", 0), ("paint approval", 1, "", None, 1),
        ("model approval", 1, "", None, 0), ("paint approval", 1, "", None, 0),
    ]  # fmt: skip
    assert to_redo(workshop, made) == [("model approval", "A")]
    press(desk, workshop, Ref(Of.MODEL, 2), "model_finished")
    assert press(desk, workshop, again, "blank_done").status_code == 409
    yes = {"answer": "Lovely.", "verdict": "yes"}
    assert desk.post(f"{where}3", yes).status_code == 303
    assert to_redo(workshop, made) == []
    for move in ("blank_done", "start", "shaped", "start", "painted"):
        assert press(desk, workshop, again, move).status_code == 303, move
    assert desk.post(f"{where}4", {**said, "answer": "Too dark."}).status_code == 303
    assert step_of(workshop.database, again) is Step.PAINTING
    assert to_redo(workshop, made) == [("paint approval", "A")]
    assert press(desk, workshop, again, "start").status_code == 303
    assert press(desk, workshop, again, "painted").status_code == 303
    assert press(desk, workshop, again, "start").status_code == 409, "the next round is wanted"
    changes = {"answer": "A little lighter.", "verdict": "changes"}
    assert desk.post(f"{where}5", changes).status_code == 303
    assert press(desk, workshop, again, "start").status_code == 303
    assert "changed as they asked: A little lighter." in words(
        press(desk, workshop, again, "passed")
    )
    page = words(desk.get(address(again)))
    assert "Changed as they asked: A little lighter." in page, "to be ticked"
    assert "Yes, with small changes: A little lighter." in page
    assert "No: The ears are too long." in page
    sound(workshop)


def test_what_is_required_can_be_changed_until_it_is_past(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = finishing(workshop, None)
    assert gates_of(workshop, made.copy()) == ()
    assert edit(desk, made, "both") == 303
    assert [gate.step for gate in gates_of(workshop, made.copy())] == [Step.BLANK, Step.INSPECTION]
    assert edit(desk, made, "paint") == 303
    press(desk, workshop, made.model(), "model_finished")
    assert press(desk, workshop, made.copy(), "blank_done").status_code == 303
    assert edit(desk, made, "both") == 303
    assert [gate.step for gate in gates_of(workshop, made.copy())] == [Step.INSPECTION], "too late"
    assert edit(desk, made, "nothing") == 303
    assert gates_of(workshop, made.copy()) == ()
    noted = "SELECT before, after FROM changes WHERE field = 'approves' ORDER BY id"
    assert rows(workshop.database, noted) == [
        (None, "both"), ("both", "paint"), ("paint", "both"), ("both", None)
    ]  # fmt: skip
    assert edit(desk, made, "everything") == 422
    sound(workshop)


@pytest.mark.parametrize("move", ["limits", "by_eye"])
def test_what_is_left_to_the_eye_is_shown_before_it_is_made(
    desk: Browser, workshop: ClockedWorkshop, move: str
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.ASSESSING)])
    where = f"/assess/{made.model().id}"
    form = the_form(desk.get(where).text, where, move=move)
    empty = desk.post(where, form.fields)
    assert empty.status_code == 422
    assert "What will be sculpted by eye?" in words(empty)
    typed = {"limits": "the far ear", "agreed": "by phone"}
    assert desk.post(where, {**form.fields, **typed}).status_code == 303
    assert gates_of(workshop, made.copy()) == (Gate(1, Step.BLANK, unasked=True),)
    for ref in (made.model(), made.copy()):
        assert "Sculpt by eye: the far ear" in words(desk.get(address(ref)))
    entry = rows(workshop.database, "SELECT id FROM transitions WHERE move = ?", move)[0][0]
    back = {"entry": str(entry), "back": "/"}
    assert desk.post("/undo", back).status_code == 303
    assert gates_of(workshop, made.copy()) == ()
    assert rows(workshop.database, "SELECT approves FROM orders") == [(None,)]
    sound(workshop)


def test_a_remake_and_a_copy_that_joins_are_approved_like_the_first(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = finishing(workshop)
    page = desk.get(f"/orders/{made.number}").text
    line = page.partition(f"/orders/{made.number}/copies/")[2].partition('"')[0]
    form = the_form(page, f"/orders/{made.number}/copies/{line}")
    assert desk.post(form.action, form.fields).status_code == 303
    joined = Ref(Of.COPY, 2)
    assert gates_of(workshop, joined) == (
        Gate(1, Step.BLANK, unasked=True), Gate(3, Step.INSPECTION, unasked=True),
    )  # fmt: skip
    press(desk, workshop, made.model(), "model_finished")
    desk.post(f"/orders/{made.number}/answer/1", {"answer": "Yes", "verdict": "yes"})
    answer = press(desk, workshop, joined, "remake", reason="it broke", cause="blank")
    assert answer.status_code == 303
    again = Ref(Of.COPY, 3)
    assert gates_of(workshop, again) == (Gate(4, Step.INSPECTION, unasked=True),)
    assert rows(workshop.database, "SELECT id FROM questions WHERE dropped = 1") == [(3,)]
    [(act,)] = rows(workshop.database, "SELECT id FROM transitions WHERE move = 'remake'")
    assert desk.post("/undo", {"entry": str(act), "back": "/"}).status_code == 303
    assert gates_of(workshop, joined) == (Gate(3, Step.INSPECTION, unasked=True),)
    assert rows(workshop.database, "SELECT id FROM questions WHERE dropped = 1") == [(4,)]
    sound(workshop)


@pytest.mark.parametrize(
    ("typed", "usual", "life", "found"),
    [
        ("", "nothing", "living", None), ("", "model", "living", "model"),
        ("", "nothing", "remembered", "both"), ("nothing", "both", "remembered", None),
        ("paint", "model", "living", "paint"),
    ],
)  # fmt: skip
def test_a_new_order_approves_what_is_usual_or_what_is_typed(
    desk: Browser, workshop: ClockedWorkshop, typed: str, usual: str, life: str, found: str | None
) -> None:
    set_to(workshop, "approves", f'"{usual}"')
    answer = desk.post("/orders/new", TYPED | {"approves": typed, "a0_life": life})
    assert answer.status_code == 303, words(answer)
    assert rows(workshop.database, "SELECT approves FROM orders") == [(found,)]
    wanted = {None: 0, "both": 2}.get(found, 1)
    assert len(gates_of(workshop, Ref(Of.COPY, 1))) == wanted
    sound(workshop)


def test_what_the_form_does_not_know_is_said_at_its_field(desk: Browser) -> None:
    answer = desk.post("/orders/new", TYPED | {"approves": "everything"})
    assert answer.status_code == 422
    assert 'id="e-approves"' in answer.text


@pytest.mark.parametrize(("typed", "step"), [("", None), ("both", Step.BLANK)])
def test_a_model_that_is_ready_is_asked_about_only_where_that_is_typed(
    desk: Browser, workshop: ClockedWorkshop, typed: str, step: Step | None
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.READY)])
    set_to(workshop, "approves", '"both"')
    where = f"/orders/new?customer={made.customer_id}&animal={made.animal_ids['A']}"
    form = the_form(desk.get(where).text, "/orders/new")
    answer = desk.post("/orders/new", {**form.fields, "a0_ready_model": "1", "approves": typed})
    assert answer.status_code == 303, words(answer)
    [(copy,)] = rows(workshop.database, "SELECT max(id) FROM copies")
    found = [gate.step for gate in gates_of(workshop, Ref(Of.COPY, copy))]
    assert sorted(map(str, found)) == sorted(map(str, filter(None, [step, Step.INSPECTION])))
    sound(workshop)
