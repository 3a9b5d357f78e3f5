"""Questions that a move puts by itself, what a yes settles, and when nobody is asked any more."""

import pytest
from sqlalchemy import update

from app.flow.steps import Step
from app.tables import copies
from app.upkeep.audit import audit
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, piece, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, free_to_leave, the_form, words

OPEN = (
    "SELECT topic, asked FROM questions WHERE answered_at IS NULL AND dropped = 0 AND asked <> ''"
)


def to_judge(workshop: ClockedWorkshop) -> MadeOrder:
    wanted = [Wanted("Hettie", step=Step.ASSESSING)]
    return make_order(workshop.database, CAST.desk, NOW - DAY, wanted)


def with_limits(browser: Browser, made: MadeOrder, **typed: str) -> int:
    where = f"/assess/{made.model().id}"
    form = the_form(browser.get(where).text, where, move="limits")
    return browser.post(where, {**form.fields, "limits": "the far ear", **typed}).status_code


def answer(desk: Browser, made: MadeOrder, question: int, *, agrees: bool, **typed: str) -> int:
    where = f"/orders/{made.number}/answer/{question}"
    form = the_form(desk.get(f"/orders/{made.number}").text, where)
    assert form.ticked["agrees"] == ["1"], "a yes is the usual answer"
    fields = {name: value for name, value in form.fields.items() if name != "agrees"}
    return desk.post(where, {**fields, **({"agrees": "1"} if agrees else {}), **typed}).status_code


def test_limits_that_nobody_agreed_to_are_asked_about_at_once_by_letter(
    painter: Browser, desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = to_judge(workshop)
    assert with_limits(painter, made) == 303
    assert rows(workshop.database, OPEN) == [
        (
            "limits",
            "The photos of Hettie leave something open: the far ear. We’d shape that from what we "
            "know of Hettie. Is that all right with you?",
        )
    ]
    news = "SELECT kind, round FROM news WHERE kind = 'question' AND taken_back_at IS NULL"
    assert rows(workshop.database, news) == [("question", 1)]
    assert "does not stop the work" in words(desk.get(f"/orders/{made.number}"))
    for ref in (made.model(), made.copy("A1")):
        assert "not agreed with the customer yet" in words(painter.get(address(ref)))


def test_limits_agreed_before_are_not_asked_about(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    assert with_limits(painter, to_judge(workshop), agreed="by phone, 3 March") == 303
    assert rows(workshop.database, OPEN) == []


def test_an_assessment_undone_asks_nothing_and_judged_again_asks_anew(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    made = to_judge(workshop)
    with_limits(painter, made)
    [(entry,)] = rows(workshop.database, "SELECT max(id) FROM transitions WHERE move = 'limits'")
    back = address(made.model())
    assert painter.post("/undo", {"entry": str(entry), "back": back}).status_code == 303
    assert rows(workshop.database, OPEN) == []
    with_limits(painter, made, limits="the tail")
    [(_, asked)] = rows(workshop.database, OPEN)
    assert "the tail" in asked


@pytest.mark.parametrize("agrees", [True, False])
def test_who_agreed_to_the_limits_when_and_how_stands_on_the_model(
    painter: Browser, desk: Browser, workshop: ClockedWorkshop, agrees: bool
) -> None:
    made = to_judge(workshop)
    with_limits(painter, made)
    assert answer(desk, made, 1, agrees=agrees, answer="That’s fine.", channel="phone") == 303
    page = words(painter.get(address(made.model())))
    assert ("agreed by Imre Castellan, by phone, 4 March 2026" in page) == agrees
    assert ("not agreed with the customer yet" in page) != agrees


def packed(workshop: ClockedWorkshop, copies_: int = 2) -> MadeOrder:
    wanted = [Wanted("Dill", step=Step.READY, copies=copies_, copy_step=Step.PACKING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    free_to_leave(workshop, made)
    return made


def ask(desk: Browser, made: MadeOrder, about: str, topic: str) -> None:
    form = the_form(desk.get(f"/orders/{made.number}").text, f"/orders/{made.number}/ask")
    typed = {"asked": f"Is it “Dill”, {about}?", "topic": topic, "about": about}
    assert desk.post(form.action, {**form.fields, **typed}).status_code == 303


@pytest.mark.parametrize(("about", "confirmed"), [("order", 2), ("A1", 1)])
@pytest.mark.parametrize("agrees", [True, False])
def test_a_yes_about_the_spelling_confirms_it(
    desk: Browser, workshop: ClockedWorkshop, about: str, confirmed: int, agrees: bool
) -> None:
    made = packed(workshop)
    with workshop.database.writing() as db:
        db.execute(update(copies).values(inscription="Dill"))
    ask(desk, made, about if about == "order" else str(made.copy(about)), "Spelling")
    assert answer(desk, made, 1, agrees=agrees, answer="Yes, Dill is right") == 303
    known = "SELECT count(*) FROM copies WHERE spelling_confirmed_at IS NOT NULL"
    assert rows(workshop.database, known) == [(confirmed if agrees else 0,)]
    noted = "SELECT count(*) FROM changes WHERE field = 'spelling confirmed'"
    assert rows(workshop.database, noted) == [(confirmed if agrees else 0,)]


def hand_over(desk: Browser, *ids: int) -> None:
    form = the_form(desk.get(f"/parcels/new?copy={ids[0]}").text, "/parcels/new")
    typed = {"carrier": "Parcel Goose", "number": f"G{ids[0]}", "reason": "they wait for it"}
    chosen = {"copy": [str(id_) for id_ in ids]}
    assert desk.post("/parcels/new", {**form.fields, **typed, **chosen}).status_code == 303


def test_what_is_asked_about_a_piece_is_asked_no_more_once_it_has_left(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = packed(workshop)
    first, second = made.copy("A1"), made.copy("A2")
    for about in (str(first), str(second), "order"):
        ask(desk, made, about, "Base")
    hand_over(desk, first.id)
    open_ = "SELECT id FROM questions WHERE answered_at IS NULL AND dropped = 0"
    assert rows(workshop.database, open_) == [(2,), (3,)], "one copy is still here"
    assert "closed: there is nothing left to ask about" in words(desk.get(f"/orders/{made.number}"))
    workshop.moment += 60
    hand_over(desk, second.id)
    assert rows(workshop.database, open_) == []
    [(entry,)] = rows(workshop.database, "SELECT max(id) FROM transitions")
    assert desk.post("/undo", {"entry": str(entry), "back": "/"}).status_code == 303
    assert rows(workshop.database, open_) == [(2,), (3,)], "it has not left after all"


@pytest.mark.parametrize("verdict", ["yes", "changes", "no"])
@pytest.mark.parametrize(
    ("topic", "at", "after"),
    [
        ("Paint approval", Step.INSPECTION, Step.PAINTING),
        ("model approval", Step.BLANK, Step.REPLACED),
    ],
)
def test_what_the_customer_does_not_approve_goes_back_to_its_work(
    desk: Browser, workshop: ClockedWorkshop, topic: str, at: Step, after: Step, verdict: str
) -> None:
    wanted = [Wanted("Dill", step=Step.READY, copy_step=at)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    form = the_form(desk.get(f"/orders/{made.number}").text, f"/orders/{made.number}/ask")
    typed = {"asked": "As you wish?", "topic": topic, "waits": str(at)}
    assert desk.post(form.action, {**form.fields, **typed}).status_code == 303
    assert piece(workshop.database, made.copy()).state.stopped
    said = "The muzzle is too dark."
    where = f"/orders/{made.number}/answer/1"
    unsaid = desk.post(where, {"answer": said})
    assert unsaid.status_code == 422
    assert "Is it a yes?" in words(unsaid)
    agrees = verdict != "no"
    form = the_form(desk.get(f"/orders/{made.number}").text, where)
    assert form.fields["verdict"] == "yes", "a yes is the usual answer"
    typed = {**form.fields, "answer": said, "verdict": verdict}
    assert desk.post(where, typed).status_code == 303
    state = piece(workshop.database, made.copy()).state
    assert (state.step, state.gates) == (at if agrees else after, ())
    back = "SELECT reason FROM transitions WHERE reason <> ''"
    assert rows(workshop.database, back) == ([] if agrees else [(said,)])
    versions = rows(workshop.database, "SELECT step FROM models ORDER BY id")
    anew = [("ready",), ("finishing",)] if after is Step.REPLACED and not agrees else [("ready",)]
    assert versions == anew
    assert audit(workshop.folder, workshop.moment).differences == []
