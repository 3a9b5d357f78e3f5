"""Machines, the queue, and how runs begin and end."""

import re

from app.flow import store
from app.flow.amendments import Right, correct
from app.flow.steps import Step
from app.moving import machines as builds_store
from app.moving.perform import Seen
from app.photos.builds import actions as builds
from tests.making import CAST, DAY, HOUR, NOW, Wanted, make_order, move, rows, step_of, walk
from tests.photos.builds.conftest import name_machine, on_machines, tick
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, the_form, words

IN = Wanted("Juniper", step=Step.PHOTOS_IN)


def sets(workshop: ClockedWorkshop, count: int = 2) -> list:
    """So many sets in the queue, each of an order of its own."""
    names = ("Juniper", "Otis", "Biscuit", "Marlow", "Sorrel", "Pepper")
    return [
        make_order(
            workshop.database,
            CAST.desk,
            NOW - (9 - n) * DAY,
            [Wanted(names[n], step=Step.PHOTOS_IN)],
        ).model()
        for n in range(count)
    ]


def start(browser: Browser, workshop: ClockedWorkshop, machine: int, *refs, once: str = "k1"):
    form = {
        "machine": str(machine),
        "set": [tick(workshop.database, r) for r in refs],
        "once": once,
    }
    return browser.post("/builds/start", form)


def end(
    browser: Browser, workshop: ClockedWorkshop, key: str, *refs, once: str = "k2", **more: str
):
    form = {"move": key, "set": [tick(workshop.database, r) for r in refs], "once": once, **more}
    return browser.post("/builds/end", form)


def test_one_tap_starts_the_next_set_on_a_free_place(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _otis = sets(workshop)
    machine = name_machine(workshop, "Heron")
    page = painter.get("/builds")
    assert "Start Juniper 1001-A" in words(page)
    form = the_form(page.text, "/builds/start")
    answer = painter.post(form.action, {**form.fields, "machine": str(machine)})
    assert answer.status_code == 303
    assert step_of(workshop.database, juniper) is Step.BUILDING
    assert on_machines(workshop)[juniper.id].machine_id == machine
    page = words(painter.get(answer.headers["location"]))
    assert "Juniper 1001-A is in Model build now" in page
    assert "Start Otis" not in page
    assert rows(workshop.database, "SELECT machine FROM models WHERE id = ?", juniper.id) == [
        ("Heron",)
    ]


def test_several_sets_go_on_one_machine_in_one_act(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    refs = sets(workshop, 3)
    machine = name_machine(workshop, "Heron", places=3)
    assert start(painter, workshop, machine, *refs).status_code == 303
    assert set(on_machines(workshop)) == {ref.id for ref in refs}
    assert (
        len(rows(workshop.database, "SELECT DISTINCT act FROM transitions WHERE move <> ''")) == 1
    )


def test_a_machine_without_room_takes_nothing_and_says_who_is_on_it(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, otis = sets(workshop)
    machine = name_machine(workshop, "Heron")
    start(painter, workshop, machine, juniper)
    answer = start(painter, workshop, machine, otis, once="k2")
    assert answer.status_code == 409
    assert "Heron has no free place: Juniper 1001-A is on it." in words(answer)
    assert step_of(workshop.database, otis) is Step.PHOTOS_IN


def test_a_double_tap_starts_once(workshop: ClockedWorkshop, painter: Browser) -> None:
    juniper, _ = sets(workshop)
    machine = name_machine(workshop, "Heron", places=2)
    seen = tick(workshop.database, juniper)
    form = {"machine": str(machine), "set": seen, "once": "wet"}
    assert painter.post("/builds/start", form).status_code == 303
    answer = painter.post("/builds/start", form)
    assert answer.status_code == 409
    assert "has already moved to Model build" in words(answer)
    assert len(rows(workshop.database, "SELECT id FROM builds")) == 1


def test_stopped_by_the_machine_keeps_the_place_counts_no_attempt_and_writes_nothing(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _otis = sets(workshop)
    machine = name_machine(workshop, "Heron")
    before = words(painter.get("/builds"))
    start(painter, workshop, machine, juniper)
    workshop.moment += 5 * HOUR
    assert end(painter, workshop, "build_stopped", juniper).status_code == 303
    after = words(painter.get("/builds"))
    assert before.index("Juniper 1001-A") < before.index("Otis 1002-A")
    assert after.index("Juniper 1001-A") < after.index("Otis 1002-A")
    assert rows(workshop.database, "SELECT attempts FROM models WHERE id = ?", juniper.id) == [(0,)]
    assert rows(workshop.database, "SELECT id FROM news") == []


def test_failed_by_the_pictures_leads_to_assessment(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _ = sets(workshop)
    start(painter, workshop, name_machine(workshop, "Heron"), juniper)
    workshop.moment += HOUR
    end(painter, workshop, "build_failed", juniper)
    assert step_of(workshop.database, juniper) is Step.ASSESSING


def test_after_the_house_was_closed_one_act_ends_all_that_was_on(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    refs = sets(workshop, 3)
    heron, wren = name_machine(workshop, "Heron", places=2), name_machine(workshop, "Wren")
    start(painter, workshop, heron, *refs[:2])
    start(painter, workshop, wren, refs[2], once="k3")
    workshop.moment += 3 * DAY
    answer = end(
        painter, workshop, "build_stopped", *refs, on="2026-03-05", at="4:30", reason="no power"
    )
    assert answer.status_code == 303
    assert {step_of(workshop.database, ref) for ref in refs} == {Step.PHOTOS_IN}
    found = rows(
        workshop.database,
        "SELECT DISTINCT act, happened_at, reason FROM transitions WHERE move = 'build_stopped'",
    )
    assert [(when, why) for _, when, why in found] == [(NOW + 66_600, "no power")]
    undone = painter.post("/undo", {"entry": str(found[0][0]), "once": "u1", "back": "/builds"})
    assert undone.status_code == 303
    assert {on.machine_id for on in on_machines(workshop).values()} == {heron, wren}


def test_a_time_before_a_run_began_names_the_run_and_changes_nothing(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _ = sets(workshop)
    start(painter, workshop, name_machine(workshop, "Heron"), juniper)
    answer = end(painter, workshop, "build_stopped", juniper, on="2026-03-01", at="12:00")
    assert answer.status_code == 422
    assert "Juniper 1001-A" in words(answer)
    assert step_of(workshop.database, juniper) is Step.BUILDING


def test_undo_of_a_start_leaves_the_place_free_and_no_run_behind(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, otis = sets(workshop)
    machine = name_machine(workshop, "Heron")
    start(painter, workshop, machine, juniper)
    act = rows(workshop.database, "SELECT max(id) FROM transitions")[0][0]
    painter.post("/undo", {"entry": str(act), "once": "u", "back": "/builds"})
    assert on_machines(workshop) == {}
    with workshop.database.reading() as db:
        assert builds_store.runs(db, 0) == []
    workshop.moment += 60
    assert start(painter, workshop, machine, otis, once="k9").status_code == 303


def test_back_in_an_earlier_run_the_benches_name_that_run_s_machine(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _ = sets(workshop)
    heron, wren = name_machine(workshop, "Heron"), name_machine(workshop, "Wren")

    def undo(key: str) -> None:
        entry = rows(workshop.database, "SELECT max(id) FROM transitions WHERE move = ?", key)[0][0]
        form = {"entry": str(entry), "once": f"undo {key}", "back": "/builds"}
        assert painter.post("/undo", form).status_code == 303

    start(painter, workshop, heron, juniper)
    first = rows(workshop.database, "SELECT build_ends_at FROM models WHERE id = ?", juniper.id)
    workshop.moment += 4 * 60
    end(painter, workshop, "build_stopped", juniper)
    workshop.moment += 60
    start(painter, workshop, wren, juniper, once="k3")
    assert "on Wren" in words(painter.get("/"))
    undo("build_started")
    undo("build_stopped")
    assert on_machines(workshop)[juniper.id].machine_id == heron
    page = words(painter.get("/"))
    assert "on Heron" in page
    assert "on Wren" not in page
    query = "SELECT machine, build_ends_at FROM models WHERE id = ?"
    assert rows(workshop.database, query, juniper.id) == [("Heron", first[0][0])]


def test_a_start_that_is_struck_later_gives_the_earlier_run_its_machine_back(
    workshop: ClockedWorkshop,
) -> None:
    [juniper] = sets(workshop, 1)
    heron = name_machine(workshop, "Heron")
    move(workshop.database, juniper, CAST.finisher, workshop.moment, "build_started")
    workshop.moment += HOUR
    move(workshop.database, juniper, CAST.finisher, workshop.moment, "build_stopped")
    workshop.moment += HOUR
    with workshop.database.reading() as db:
        seen = Seen(juniper, store.load(db, juniper).version)
    builds.start(workshop, heron, [seen], CAST.finisher, "second")
    for key in ("build_started", "build_stopped"):
        query = "SELECT max(id) FROM transitions WHERE move = ?"
        entry = int(str(rows(workshop.database, query, key)[0][0]))
        correct(
            workshop.database,
            entry,
            Right(struck=True, reason="never"),
            CAST.owner,
            workshop.moment,
        )
    assert step_of(workshop.database, juniper) is Step.BUILDING
    # The first run began before any machine was named.
    assert rows(workshop.database, "SELECT machine, build_ends_at FROM models") == [("", None)]


def test_what_runs_past_its_time_is_said_in_words(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _ = sets(workshop)
    start(painter, workshop, name_machine(workshop, "Heron"), juniper)
    workshop.moment += 40 * HOUR
    page = words(painter.get("/builds"))
    assert "One run is over its time" in page
    assert "17 hours overdue: check the machine" in page
    assert re.search(
        r"on Heron, should have ended by .*: check the machine", words(painter.get("/"))
    )


def test_a_start_on_the_benches_takes_the_only_machine(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _ = sets(workshop)
    machine = name_machine(workshop, "Heron")
    press = {"move": f"build_started:{tick(workshop.database, juniper)}", "once": "b"}
    assert painter.post("/benches/move", press).headers["location"].startswith("/?")
    assert on_machines(workshop)[juniper.id].machine_id == machine


def test_a_start_on_the_benches_asks_which_of_several(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _ = sets(workshop)
    name_machine(workshop, "Heron")
    name_machine(workshop, "Wren")
    press = {"move": f"build_started:{tick(workshop.database, juniper)}", "once": "b"}
    answer = painter.post("/benches/move", press)
    assert step_of(workshop.database, juniper) is Step.PHOTOS_IN
    page = painter.get(answer.headers["location"].partition("#")[0])
    assert "On which machine?" in words(page)
    form = next(f for f in [the_form(page.text, "/builds/start", "set")] if f)
    assert form is not None
    assert (
        f'value="{tick(workshop.database, juniper)}" aria-label="Juniper 1001-A" checked'
        in page.text
    )


def test_a_studio_that_names_no_machine_starts_builds_all_the_same(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _ = sets(workshop)
    press = {"move": f"build_started:{tick(workshop.database, juniper)}", "once": "b"}
    painter.post("/benches/move", press)
    assert step_of(workshop.database, juniper) is Step.BUILDING
    assert "On a machine" in words(painter.get("/builds"))


def test_only_the_owner_adds_renames_and_switches_off_machines(
    workshop: ClockedWorkshop, owner: Browser, painter: Browser
) -> None:
    assert painter.post("/machines", {"name": "Heron", "places": "1"}).status_code == 403
    assert owner.post("/machines", {"name": "Heron", "places": "2"}).status_code == 303
    assert owner.post("/machines", {"name": "heron", "places": "1"}).status_code == 422
    assert owner.post("/machines", {"name": "Wren", "places": "0"}).status_code == 422
    assert owner.post("/machines/1", {"name": "Grey heron", "places": "3"}).status_code == 303
    assert owner.post("/machines/1/switch", {"on": "0"}).status_code == 303
    found = rows(workshop.database, "SELECT name, places, off_at FROM machines")
    assert found == [("Grey heron", 3, NOW)]


def test_a_machine_with_a_run_on_it_cannot_be_switched_off(
    workshop: ClockedWorkshop, owner: Browser
) -> None:
    juniper, _ = sets(workshop)
    machine = name_machine(workshop, "Heron")
    start(owner, workshop, machine, juniper)
    answer = owner.post(f"/machines/{machine}/switch", {"on": "0"})
    assert answer.status_code == 409
    assert "A run is still on Heron" in words(answer)


def test_a_renamed_machine_keeps_its_runs(workshop: ClockedWorkshop, owner: Browser) -> None:
    juniper, _ = sets(workshop)
    machine = name_machine(workshop, "Heron")
    start(owner, workshop, machine, juniper)
    owner.post(f"/machines/{machine}", {"name": "Wren", "places": "1"})
    assert on_machines(workshop)[juniper.id].machine_id == machine
    assert rows(workshop.database, "SELECT machine FROM models WHERE id = ?", juniper.id) == [
        ("Wren",)
    ]


def test_machines_of_earlier_runs_are_added_by_name(
    workshop: ClockedWorkshop, owner: Browser
) -> None:
    juniper, _ = sets(workshop)
    move(workshop.database, juniper, CAST.finisher, NOW, "build_started")
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE models SET machine = 'Old Heron'")
    assert "Earlier runs were on Old Heron" in words(owner.get("/builds"))
    owner.post("/machines/named", {})
    [on] = on_machines(workshop).values()
    with workshop.database.reading() as db:
        assert builds_store.machine(db, on.machine_id).name == "Old Heron"


def test_a_run_is_put_on_the_machine_it_is_on_in_truth(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, otis = sets(workshop)
    heron, wren = name_machine(workshop, "Heron"), name_machine(workshop, "Wren")
    start(painter, workshop, heron, juniper)
    painter.post(f"/builds/on/{juniper.id}", {"machine": str(wren)})
    assert on_machines(workshop)[juniper.id].machine_id == wren
    assert start(painter, workshop, heron, otis, once="k5").status_code == 303


def test_a_set_that_is_held_waits_and_says_why(workshop: ClockedWorkshop, painter: Browser) -> None:
    juniper, _otis = sets(workshop)
    name_machine(workshop, "Heron")
    painter.post(
        f"{address(juniper)}/move",
        {"move": "hold", "whose": "customer", "reason": "they move house", "once": "h",
         "version": "1"},
    )  # fmt: skip
    page = words(painter.get("/builds"))
    assert "on hold: they move house" in page
    assert "Start Otis 1002-A" in page


def test_nonsense_in_the_forms_is_refused_in_words(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, _ = sets(workshop)
    machine = name_machine(workshop, "Heron")
    seen = tick(workshop.database, juniper)
    wrong = [
        ("/builds/start", {"machine": "x", "set": seen}),
        ("/builds/start", {"machine": "99", "set": seen}),
        ("/builds/start", {"machine": str(machine)}),
        ("/builds/start", {"machine": str(machine), "set": "copy:1:1"}),
        ("/builds/start", {"machine": str(machine), "set": "model:x"}),
        ("/builds/end", {"move": "cancel", "set": seen}),
        ("/builds/end", {"move": "build_finished", "set": seen}),
        ("/builds/end", {"move": "build_finished", "set": seen, "at": "25:99"}),
        (f"/builds/on/{juniper.id}", {"machine": str(machine)}),
        ("/machines/7/switch", {"on": "1"}),
    ]
    for path, form in wrong:
        answer = painter.post(path, form)
        assert 400 <= answer.status_code < 500, path
    assert step_of(workshop.database, juniper) is Step.PHOTOS_IN


def test_the_hours_table_counts_a_machine_once_however_many_sets_are_on(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    refs = sets(workshop)
    start(painter, workshop, name_machine(workshop, "Heron", places=2), *refs)
    workshop.moment += 10 * HOUR
    end(painter, workshop, "build_finished", *refs)
    workshop.moment += 30 * HOUR
    cells = re.findall(r'<td class="n">(.*?)</td>', painter.get("/builds").text)
    assert cells == ["10", "25 %", "2"] * 2


def test_the_walk_through_assessment_is_counted_as_one_run(workshop: ClockedWorkshop) -> None:
    juniper, _ = sets(workshop, 1), None
    walk(workshop.database, juniper[0], CAST.finisher, NOW, "build_started", "build_finished")
    with workshop.database.reading() as db:
        [on] = builds_store.runs(db, 0)
    assert (on.run.started, on.run.ended, on.run.outcome) == (NOW + 60, NOW + 120, "build_finished")


def test_machines_without_a_free_place_are_not_offered_and_the_next_place_is_told(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    juniper, otis = sets(workshop)
    heron, tern = name_machine(workshop, "Heron"), name_machine(workshop, "Tern")
    own = f"/pieces/model/{otis.id}"
    assert "Start build on Heron" in words(painter.get(own))
    start(painter, workshop, heron, juniper)
    for page in (words(painter.get("/builds")), words(painter.get(own))):
        assert not re.search(r"Start (build )?on Heron", page)
        assert re.search(r"Start (build )?on Tern", page)
        assert "No machine has" not in page
    third = sets(workshop, 1)[0]
    start(painter, workshop, tern, third, once="k3")
    for page in (words(painter.get("/builds")), words(painter.get(own))):
        assert not re.search(r"Start (build )?on", page)
        assert "No machine has a free place. The next one is expected by " in page
    workshop.moment += 3 * DAY
    said = "No machine has a free place. One should have ended by "
    assert said in words(painter.get("/builds"))
