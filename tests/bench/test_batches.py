"""Blanks in batches: into a machine together, out of it one by one, and what the log says."""

import pytest
from sqlalchemy import insert

from app.flow.stays import stays
from app.flow.steps import Of, Step, TimeClass
from app.flow.store import Ref, log_of
from app.tables import machines
from app.upkeep.audit import audit
from tests.making import (
    CAST,
    DAY,
    HOUR,
    NOW,
    MadeOrder,
    Wanted,
    fingerprint,
    make_order,
    piece,
    rows,
    step_of,
)
from tests.moving.test_gates import press
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import at_field, the_form, words

FINDINGS = "SELECT reason, cause, move, amount FROM transitions WHERE kind = 'finding'"


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """Four copies of Juniper that wait for their blanks, and a machine that takes three."""
    with workshop.database.writing() as db:
        db.execute(
            insert(machines).values(
                name="The kiln", name_key="the kiln", places=3, made_at=NOW - DAY, makes="blanks"
            )
        )
    return make_order(
        workshop.database, CAST.desk, NOW - DAY,
        [Wanted("Juniper", copies=4, step=Step.READY, copy_step=Step.BLANK)],
    )  # fmt: skip


def ticks(workshop: ClockedWorkshop, made: MadeOrder, *codes: str) -> list[str]:
    found = [made.copy(code) for code in codes]
    return [f"{ref}:{piece(workshop.database, ref).version}" for ref in found]


def begin(browser: Browser, workshop: ClockedWorkshop, made: MadeOrder, *codes: str, **more: str):
    typed = {"piece": ticks(workshop, made, *codes), "once": f"s{codes}", **more}
    return browser.post("/blanks/start", typed)


def sound(workshop: ClockedWorkshop) -> None:
    assert audit(workshop.folder, workshop.now()).differences == []


def test_a_batch_with_one_failed_piece(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    page = words(painter.get("/blanks"))
    assert "Nothing is in the machines, four pieces are waiting for one." in page
    said = {"material": "casting resin", "lot": "K-7", "ends_on": "2026-03-05", "ends_at": "9:00"}
    begun = begin(painter, workshop, made, "A1", "A2", "A3", **said)
    assert begun.status_code == 303
    page = words(painter.get(begun.headers["location"]))
    assert "Three pieces are in the machine." in page
    assert "Batch 1 in The kiln" in page
    assert "Casting resin, lot K-7; in since today 10:00, should come out by tomorrow 9:00" in page
    assert "one piece is waiting for one." in page
    benches = words(painter.get("/"))
    assert "on The kiln, ends by tomorrow 9:00" in benches
    assert "none in hand" in benches, "what is in a machine is in nobody's hand"
    workshop.moment = NOW + 20 * HOUR
    good = [str(made.copy(code).id) for code in ("A1", "A3")]
    missing = painter.post("/blanks/end/1", {"good": good, "once": "e"})
    assert "What was wrong" in at_field(missing, "reason")
    out = {"good": good, "reason": "a void in the neck", "coat": "casting resin", "once": "f"}
    ended = painter.post("/blanks/end/1", out)
    assert ended.status_code == 303
    assert [step_of(workshop.database, made.copy(f"A{n}")) for n in (1, 2, 3)] == [
        Step.SHAPING, Step.BLANK, Step.SHAPING,
    ]  # fmt: skip
    assert rows(workshop.database, FINDINGS) == [("a void in the neck", "blank", "batch", 1)]
    failed = piece(workshop.database, made.copy("A2")).state
    assert (failed.in_hand, failed.reworks) == (False, 0), "nobody's work is done again"
    assert piece(workshop.database, made.copy("A1")).state.rests_until == NOW + 20 * HOUR + DAY
    page = words(painter.get(ended.headers["location"]))
    assert "Two pieces are in Shaping now. One piece waits for the next batch." in page
    assert "2 good, 1 not good; came out" in page
    assert f"Juniper {made.number}-A2: not good (a void in the neck)." in page
    sound(workshop)


def test_the_classes_of_time_say_what_waited_for_a_machine_and_what_was_in_one(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    workshop.moment = NOW + 5 * HOUR
    begin(painter, workshop, made, "A1", "A2")
    workshop.moment = NOW + 25 * HOUR
    painter.post(
        "/blanks/end/1", {"good": [str(made.copy("A1").id)], "reason": "void", "once": "a"}
    )
    workshop.moment = NOW + 30 * HOUR
    begin(painter, workshop, made, "A2")
    workshop.moment = NOW + 40 * HOUR
    painter.post("/blanks/end/2", {"good": [str(made.copy("A2").id)], "once": "b"})
    with workshop.database.reading() as db:
        calendar = workshop.in_force().calendar
        first, second = (
            stays(Of.COPY, log_of(db, made.copy(code)), calendar, workshop.now())[0]
            for code in ("A1", "A2")
        )
    # Both came in a day before NOW. A1 waits 24 + 5 hours, then 20 in the machine. A2 besides
    # waits 5 hours for the second batch and is in it for 10.
    assert first.classes == {TimeClass.QUEUE: 29 * HOUR, TimeClass.MACHINE: 20 * HOUR}
    assert second.classes == {TimeClass.QUEUE: 34 * HOUR, TimeClass.MACHINE: 30 * HOUR}


def test_the_whole_batch_fails_in_one_act_and_comes_back_by_undo(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begin(painter, workshop, made, "A1", "A2")
    form = {"outcome": "failed", "reason": "the heater went off", "once": "x"}
    ended = painter.post("/blanks/end/1", {**form, "good": [str(made.copy("A1").id)]})
    act = ended.headers["location"].rpartition("=")[2]
    assert "Two pieces wait for the next batch." in words(painter.get(ended.headers["location"]))
    assert len(rows(workshop.database, FINDINGS)) == 2
    assert painter.post("/undo", {"entry": act, "once": "u", "back": "/blanks"}).status_code == 303
    assert "Batch 1 in The kiln" in words(painter.get("/blanks"))
    assert all(piece(workshop.database, made.copy(c)).state.in_batch for c in ("A1", "A2"))
    sound(workshop)


def test_undo_of_a_start_leaves_no_batch_and_of_one_piece_leaves_the_others_in(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    act = begin(painter, workshop, made, "A1").headers["location"].rpartition("=")[2]
    assert painter.post("/undo", {"entry": act, "once": "u", "back": "/blanks"}).status_code == 303
    assert "Batch" not in words(painter.get("/blanks"))
    begin(painter, workshop, made, "A1", "A2")
    done = press(painter, workshop, made.copy("A1"), "blank_done")
    page = words(painter.get("/blanks"))
    assert "1 good" not in page.partition("The next batch")[0]
    assert f"Juniper {made.number}-A1: good" in page
    act = done.headers["location"].rpartition("=")[2]
    assert painter.post("/undo", {"entry": act, "once": "v", "back": "/"}).status_code == 303
    form = the_form(painter.get("/blanks").text, "/blanks/end/2")
    assert painter.post(form.action, {"once": "w", "good": [str(made.copy(c).id) for c in
                        ("A1", "A2")]}).status_code == 303  # fmt: skip
    assert step_of(workshop.database, made.copy("A2")) is Step.SHAPING
    sound(workshop)


def test_what_is_in_a_machine_comes_out_of_it_on_hold_too(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    begin(desk, workshop, made, "A1")
    assert press(desk, workshop, made.copy("A1"), "hold", reason="away", whose="customer")
    out = {"good": [str(made.copy("A1").id)], "once": "a"}
    assert desk.post("/blanks/end/1", out).status_code == 303
    assert step_of(workshop.database, made.copy("A1")) is Step.SHAPING
    sound(workshop)


@pytest.mark.parametrize(
    ("codes", "more", "says"),
    [((), {}, "Which pieces?"), (("A1", "A2", "A3", "A4"), {}, "takes 3 pieces"),
     (("A1",), {"machine": "99"}, "one from the list"), (("A1",), {"ends_on": "never"}, "A day like"),
     (("A1",), {"ends_on": "2026-03-03"}, "before it begins"),
     (("A1",), {"ends_on": "2027-03-03"}, "two months"), (("A1",), {"ends_at": "26:00"}, "14:30"),
     (("A1",), {"on": "2026-03-05"}, "future"), (("A1",), {"at": "x"}, "14:30"),
     (("A1",), {"on": "2020-03-05"}, "before the last"), (("A1",), {"lot": "x" * 61}, "at most"),
     (("A1",), {"material": "x\u202ey"}, "cannot be seen")],
)  # fmt: skip
def test_a_batch_that_cannot_be_is_refused_in_words_and_nothing_is_written(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder, codes, more, says
) -> None:
    before = fingerprint(workshop.folder.database_file)
    answer = begin(painter, workshop, made, *codes, **more)
    assert answer.status_code in (409, 422)
    assert says in words(answer)
    assert fingerprint(workshop.folder.database_file) == before


def test_a_machine_holds_one_batch_and_a_stale_page_moves_nothing(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    stale = ticks(workshop, made, "A1")
    begin(painter, workshop, made, "A1")
    before = fingerprint(workshop.folder.database_file)
    assert "Batch 1 is in The kiln." in words(begin(painter, workshop, made, "A2"))
    again = painter.post("/blanks/start", {"piece": stale, "once": "z"})
    assert again.status_code == 409
    shaping = painter.post("/blanks/end/1", {"good": ["99"], "once": "y", "reason": "so"})
    assert "has changed" in words(shaping)
    assert painter.post("/blanks/end/7", {"once": "y"}).status_code == 404
    for typed, field in (({"on": "2026-04-01"}, "on"), ({"coat_words": "tar"}, "cured_on"),
                         ({"cured_on": "x", "coat": "wax"}, "cured_on"),
                         ({"reason": "x" * 201}, "reason")):  # fmt: skip
        answer = painter.post("/blanks/end/1", {"good": [str(made.copy("A1").id)], **typed})
        assert answer.status_code == 422
        assert at_field(answer, field)
    assert fingerprint(workshop.folder.database_file) == before


def test_without_a_machine_named_a_batch_is_noted_all_the_same(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(
        workshop.database, CAST.desk, NOW - DAY,
        [Wanted("Otis", step=Step.READY, copy_step=Step.BLANK)],
    )  # fmt: skip
    assert begin(painter, workshop, made, "A1").status_code == 303
    assert "should come out by tomorrow 10:00" in words(painter.get("/blanks"))


def test_only_the_owner_names_machines(
    owner: Browser, painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    typed = {"name": "The mill", "places": "4"}
    assert painter.post("/blanks/machines", typed).status_code == 403
    assert owner.post("/blanks/machines", typed).status_code == 303
    assert owner.post("/blanks/machines", typed).status_code == 422, "the name is taken"
    assert owner.post("/blanks/machines", {"name": "", "places": "4"}).status_code == 422
    assert owner.post("/blanks/machines", {"name": "x", "places": "0"}).status_code == 422
    assert "The mill" not in words(owner.get("/builds")), "it builds no models"
    asked = begin(owner, workshop, made, "A1")
    assert "Which machine?" in at_field(asked, "machine")
    begin(owner, workshop, made, "A1", machine="2")
    off = owner.post("/blanks/machines/2", {"on": "0"})
    assert off.status_code == 409


def test_a_blank_without_a_batch_is_machine_time_as_a_whole(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    workshop.moment = NOW + 5 * HOUR
    press(painter, workshop, made.copy("A4"), "blank_done")
    with workshop.database.reading() as db:
        log = log_of(db, Ref(Of.COPY, made.copy("A4").id))
        (first, _) = stays(Of.COPY, log, workshop.in_force().calendar, workshop.now())
    assert first.classes == {TimeClass.MACHINE: 29 * HOUR}
