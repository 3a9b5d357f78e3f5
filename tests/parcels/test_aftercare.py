"""What goes wrong after a piece has left: lost, damaged, not right, sent back."""

import pytest

from app.flow.amendments import undo
from app.flow.steps import Step
from app.flow.store import Ref, log_of
from app.leadtimes.log import FINISHED
from app.orders.facts.gather import facts_of
from app.orders.forecast import record
from app.owner import store as owner_store
from app.owner.spans import spans_of
from app.owner.ways import ways
from app.parcels import aftercare
from app.status.wording import document
from app.upkeep.audit import audit
from tests.bench.test_findings import photo, upload
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, move, rows, step_of
from tests.staff.browser import Browser, ClockedWorkshop
from tests.status.rows import TELLER, sentences
from tests.whole_site import address, at_field, copies_of, free_to_leave, the_form, words


@pytest.fixture
def made(workshop: ClockedWorkshop, desk: Browser) -> MadeOrder:
    """Two copies of Juniper that left in one parcel yesterday; the first lies in it with a collar."""
    wanted = [Wanted(step=Step.READY, copy_step=Step.PACKING, copies=2)]
    made = make_order(workshop.database, CAST.desk, NOW - 9 * DAY, wanted)
    free_to_leave(workshop, made)
    workshop.moment = NOW - 6 * DAY
    where = f"/orders/{made.number}"
    lent = {"kind": "collar", "whose": "A", "shelf": "Shelf 3"}
    assert desk.post(f"{where}/belongings", lent).status_code == 303
    ids = [str(made.copy(code).id) for code in ("A1", "A2")]
    typed = {"copy": ids, "way": "carrier", "carrier": "Parcel Goose", "number": "RR473124829GB"}
    assert desk.post("/parcels/new", {**typed, "lent": ["1"]}).status_code == 303
    workshop.moment = NOW
    return made


def open_case(browser: Browser, kind: str, *copies: Ref, **typed: str):
    said = {"kind": kind, "said_by": "customer", "words": "They wrote", **typed}
    return browser.post("/aftercare/new", {"copy": [str(one.id) for one in copies], **said})


def page(workshop: ClockedWorkshop, made: MadeOrder) -> str:
    with workshop.database.reading() as db:
        facts = facts_of(db, made.id, workshop.in_force(), workshop.moment)
    return " ".join(sentences(document(facts, TELLER, workshop.moment)))


def clean(workshop: ClockedWorkshop) -> None:
    assert audit(workshop.folder, workshop.moment).differences == []


def test_a_lost_parcel_is_made_again_and_its_page_and_letter_say_so(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    first, second = made.copy("A1"), made.copy("A2")
    form = the_form(desk.get("/aftercare/new?parcel=1").text, "/aftercare/new")
    assert form.ticks["copy"] == [str(first.id), str(second.id)]
    assert open_case(desk, "lost", first, second).status_code == 303
    said = page(workshop, made)
    assert "You’ve told us that the parcel with Juniper, which we handed to Parcel Goose" in said
    assert "hasn’t reached you. Its number is RR473124829GB." in said
    assert "We can’t make that again, and we’re sorry." in said
    assert "on the way to you" not in said
    assert step_of(workshop.database, first) is Step.HANDED_OVER
    assert "claim by" in words(desk.get("/aftercare"))
    decided = {"decided": "remake", "decision": "The carrier gave up the search"}
    assert desk.post("/aftercare/1/decide", decided).status_code == 303
    assert step_of(workshop.database, first) is Step.REPLACED
    again = copies_of(made.number, workshop)
    assert len(again) == 4
    [new] = [one for one in again if one.id not in (first.id, second.id)][:1]
    with workshop.database.reading() as db:
        [lost] = [e for e in log_of(db, first) if e.move == "remake"]
    assert lost.cause == "carrier", "no fault of the house"
    assert step_of(workshop.database, new) is Step.BLANK
    said = page(workshop, made)
    assert "was lost on the way." in said
    assert "We’re making her again, and it doesn’t cost you anything." in said
    kinds = rows(workshop.database, "SELECT kind, round FROM news WHERE kind = 'aftercare'")
    assert kinds == [("aftercare", 11), ("aftercare", 12)]
    assert "a remake goes first" in words(desk.get("/"))
    assert "Made again for one that had left." in words(desk.get(address(new)))
    assert desk.post("/aftercare/1/close", {}).status_code == 303
    assert "lost on the way" not in page(workshop, made)
    clean(workshop)


def test_undoing_the_remake_opens_the_question_again(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    first = made.copy("A1")
    open_case(desk, "lost", first)
    desk.post("/aftercare/1/decide", {"decided": "remake"})
    [(entry,)] = rows(workshop.database, "SELECT id FROM transitions WHERE move = 'remake'")
    undo(workshop.database, int(str(entry)), CAST.desk, workshop.moment + 60)
    query = "SELECT decided FROM aftercare_cases"
    assert rows(workshop.database, query) == [(None,)]
    assert rows(workshop.database, "SELECT made_id FROM aftercare_copies") == [(None,)]
    assert step_of(workshop.database, first) is Step.HANDED_OVER
    clean(workshop)


def test_what_is_lost_and_not_made_again_has_an_end(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    first = made.copy("A1")
    open_case(desk, "lost", first, said_by="carrier")
    assert "The carrier can’t find the parcel with copy 1 of Juniper" in page(workshop, made)
    typed = {"decided": "nothing", "refund": "1", "decision": "They would rather not wait"}
    assert desk.post("/aftercare/1/decide", typed).status_code == 303
    assert step_of(workshop.database, first) is Step.CANCELLED
    assert "What happens now is as we’ve agreed with you." in page(workshop, made)
    assert "a refund is noted" in words(desk.get("/aftercare/1"))
    [(entry,)] = rows(workshop.database, "SELECT id FROM transitions WHERE move = 'lost'")
    undo(workshop.database, int(str(entry)), CAST.desk, workshop.moment + 60)
    assert rows(workshop.database, "SELECT decided FROM aftercare_cases") == [(None,)]
    clean(workshop)


def test_a_damaged_one_is_repaired_outside_of_lead_times_and_leaves_again(
    desk: Browser, painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    first = made.copy("A1")
    assert open_case(desk, "damaged", first).status_code == 303
    assert step_of(workshop.database, first) is Step.RECEIVED
    told = rows(workshop.database, "SELECT kind FROM news WHERE taken_back_at IS NULL")
    assert ("received",) not in told, "no thanks for a parcel that arrived broken"
    said = page(workshop, made)
    assert "You’ve told us that copy 1 of Juniper arrived damaged. We’re sorry." in said
    assert "Please keep everything as it is, the packing too." in said
    assert desk.post("/aftercare/1/mend", {"step": "painting"}).status_code == 422
    assert desk.post("/aftercare/1/decide", {"decided": "repair"}).status_code == 303
    assert "We’ll repair it, and it doesn’t cost you anything." in page(workshop, made)
    with workshop.database.reading() as db:
        before = record.read(db)
    painter.as_(workshop, CAST.painter)
    assert painter.post("/aftercare/1/mend", {"step": "painting"}).status_code == 303
    assert painter.post("/aftercare/1/mend", {"step": "painting"}).status_code == 409
    repair = copies_of(made.number, workshop)[1]
    assert step_of(workshop.database, repair) is Step.PAINTING
    assert step_of(workshop.database, first) is Step.RECEIVED, "what was delivered stays so"
    said = page(workshop, made)
    assert "It is back with us, and we’re repairing the damage." in said
    assert "We’re repairing" in said
    text = words(desk.get(address(repair)))
    assert "A repair: it had been delivered, and came back." in text
    assert "1001-A1, repair" in text
    order = words(desk.get("/orders/1001"))
    assert "1001-A1, repair" in order
    assert "making 2" not in text + order
    assert "a repair goes first" in words(desk.get("/"))
    [listed] = desk.get("/orders").text.split("<tbody>")[1].split("</tr>")[:1]
    assert '<td class="n" data-heading="Copies">2</td>' in listed, "a repair is no further copy"
    for key in ("painted", "passed", "handed_over", "received"):
        workshop.moment += 3_600
        move(workshop.database, repair, CAST.desk, workshop.moment, key)
        gone = "left the workshop again" if key == "handed_over" else "arrived"
        said = f"We’ve repaired it, and it has {gone}." in page(workshop, made)
        assert said is (key in ("handed_over", "received"))
    with workshop.database.reading() as db:
        after = record.read(db)
        counted = {row.id for row in owner_store.since(db, 0).copies}
    assert after.own.piece.tolist() == before.own.piece.tolist()
    assert counted == {first.id, made.copy("A2").id}
    assert desk.post("/aftercare/1/close", {}).status_code == 303
    clean(workshop)


def test_a_repair_that_was_begun_by_mistake_is_taken_back(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    open_case(desk, "fault", made.copy("A1"))
    assert "something about copy 1 of Juniper isn’t right" in page(workshop, made)
    desk.post("/aftercare/1/decide", {"decided": "repair"})
    desk.post("/aftercare/1/mend", {"step": "shaping"})
    assert desk.post("/aftercare/1/close", {"act": "back"}).status_code == 303
    assert rows(workshop.database, "SELECT decided FROM aftercare_cases") == [(None,)]
    assert rows(workshop.database, "SELECT made_id FROM aftercare_copies") == [(None,)]
    clean(workshop)


def test_what_came_back_is_at_packing_again(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    both = made.copy("A1"), made.copy("A2")
    assert open_case(desk, "returned", *both, said_by="carrier").status_code == 303
    assert [step_of(workshop.database, one) for one in both] == [Step.PACKING] * 2
    said = page(workshop, made)
    assert "The parcel with Juniper couldn’t be delivered and has come back to us." in said
    assert "She is safe with us." in said
    assert "Shelf 3" in words(desk.get("/belongings")), "the collar is here again, too"
    assert desk.post("/aftercare/1/close", {}).status_code == 303
    clean(workshop)


def test_of_a_remembered_animal_somebody_reads_the_letter_first(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE animals SET life = 'remembered'")
    open_case(desk, "lost", made.copy("A1"), made.copy("A2"))
    held = "SELECT held_why FROM news WHERE kind = 'aftercare'"
    assert rows(workshop.database, held) == [
        ("The animal has died: somebody should read it first.",)
    ]
    assert "the likeness of Juniper" in page(workshop, made)


@pytest.mark.parametrize(
    ("kind", "typed", "field"),
    [
        ("lost", {"words": ""}, "words"),
        ("sold", {}, "kind"),
        ("lost", {"said_by": "a bird"}, "said_by"),
        ("lost", {"words": "x" * 501}, "words"),
    ],
)
def test_bad_input_is_named_at_its_field(
    desk: Browser, made: MadeOrder, kind: str, typed: dict[str, str], field: str
) -> None:
    answer = open_case(desk, kind, made.copy("A1"), **typed)
    assert answer.status_code == 422
    assert at_field(answer, field)


def test_a_case_is_opened_once_and_only_of_what_has_left(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    assert open_case(desk, "lost").status_code in (404, 422)
    assert open_case(desk, "lost", made.copy("A1")).status_code == 303
    assert open_case(desk, "damaged", made.copy("A1")).status_code == 409
    move(workshop.database, made.copy("A2"), CAST.desk, NOW, "received")
    answer = open_case(desk, "lost", made.copy("A2"))
    assert at_field(answer, "copy") == (
        f"{made.number}-A2 is not on its way, so it cannot be lost on it."
    )
    assert desk.post("/aftercare/1/close", {}).status_code == 422
    assert desk.post("/aftercare/1/decide", {"decided": "repair"}).status_code == 422
    assert desk.post("/aftercare/7/decide", {"decided": "remake"}).status_code == 404
    clean(workshop)


def test_what_was_lost_had_left_in_time_and_was_never_delivered(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    """Lead times end as they stood at the handing over; the carrier's days are censored."""
    open_case(desk, "lost", made.copy("A1"))
    desk.post("/aftercare/1/decide", {"decided": "remake"})
    open_case(desk, "lost", made.copy("A2"))
    desk.post("/aftercare/2/decide", {"decided": "nothing"})
    workshop.moment += 600
    with workshop.database.reading() as db:
        found = record.read(db)
        raw = owner_store.since(db, 0)
    calendar = workshop.in_force().calendar
    line = ways(raw.copies, raw.entries, spans_of(calendar, NOW - 30 * DAY, NOW + DAY))
    lost = [made.copy("A1").id, made.copy("A2").id]
    assert line.root.tolist() == lost
    assert line.outcome.tolist() == [FINISHED, FINISHED]
    assert line.ended.tolist() == [NOW - 6 * DAY] * 2
    for copy in lost:
        assert found.log.outcome[found.log.piece == copy].tolist()[-1] == FINISHED
    under_way = found.own.step == list(Step).index(Step.HANDED_OVER)
    assert found.own.left[under_way].tolist() == [NOW, NOW]
    _, _, own = record.pace_of(found, workshop.moment)[Step.HANDED_OVER]
    assert not own, "two that were never delivered say nothing of how long delivering takes"


def test_a_customer_s_photo_is_kept_removed_and_there_are_not_too_many(
    painter: Browser, desk: Browser, workshop: ClockedWorkshop, made: MadeOrder,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    open_case(desk, "damaged", made.copy("A1"))
    monkeypatch.setattr(aftercare, "MOST_PICTURES", 1)
    assert upload(painter, "/case-pictures/1", photo()).status_code == 303
    full = upload(painter, "/case-pictures/1", photo())
    assert full.status_code == 422
    assert "Remove one first." in at_field(full, "file")
    form = the_form(painter.get("/aftercare/1").text, "/case-pictures/1/off")
    assert painter.post(form.action, form.fields).headers["location"] == "/aftercare/1?done=saved"
    assert "None yet." in words(painter.get("/aftercare/1"))
    assert painter.post(form.action, form.fields).status_code == 404
    assert upload(painter, "/case-pictures/1", photo()).status_code == 303
    clean(workshop)
