"""Another pose is another version of the model: finished, made ready and followed by itself."""

import pytest
from sqlalchemy import update

from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.orders.facts.gather import bare_facts
from app.orders.forecast import record
from app.photos import store as photos
from app.shared.places import DataFolder
from app.tables import copies, photo_deliveries, picture_models, pictures
from app.upkeep.audit import audit
from tests.making import (
    CAST,
    DAY,
    NOW,
    MadeOrder,
    Wanted,
    make_order,
    piece,
    rows,
    step_of,
    versions_after,
)
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, the_form, words


def pose(workshop: ClockedWorkshop, made: MadeOrder, **poses: str) -> None:
    """Order copies in poses: A1="standing"."""
    with workshop.database.writing() as db:
        for code, said in poses.items():
            db.execute(update(copies).where(copies.c.id == made.copy(code).id).values(pose=said))


def press(browser: Browser, workshop: ClockedWorkshop, ref: Ref, move: str, **more: str) -> int:
    """Press a button of a piece's page; gives the act."""
    version = str(piece(workshop.database, ref).version)
    typed = {"move": move, "version": version, "once": f"k{move}{version}", "sure": "1", **more}
    answer = browser.post(f"/pieces/{ref.of}/{ref.id}/move", typed)
    assert answer.status_code == 303, words(answer)
    return int(answer.headers["location"].rpartition("=")[2])


def of(workshop: ClockedWorkshop) -> dict[str, int]:
    """By copy's number the model that it is made from."""
    return dict(rows(workshop.database, "SELECT number, model_id FROM copies WHERE withdrawn = 0"))


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """A foal in two poses at assessment, of three copies."""
    wanted = [Wanted("Pip", copies=3, step=Step.ASSESSING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    pose(workshop, made, A1="standing", A2="lying", A3="Standing ")
    return made


BY_EYE = {"limits": "the belly", "agreed": "by phone"}


@pytest.fixture
def two(painter: Browser, workshop: ClockedWorkshop, made: MadeOrder) -> Ref:
    """Its photos have passed: the version that lies."""
    press(painter, workshop, made.model(), "good")
    [other] = versions_after(workshop.database, made.model())
    return other


@pytest.mark.parametrize(("move", "more"), [("good", {}), ("limits", BY_EYE), ("by_eye", BY_EYE)])
def test_the_photos_pass_and_each_pose_has_its_version(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder, move: str, more: dict[str, str]
) -> None:
    press(painter, workshop, made.model(), move, **more)
    [other] = versions_after(workshop.database, made.model())
    found = rows(workshop.database, "SELECT pose, step, number, limits, passed_at FROM models")
    limits = more.get("limits", "")
    assert found == [
        ("standing", "finishing", 1, limits, NOW),
        ("lying", "finishing", 2, limits, NOW),
    ]
    first = made.model().id
    assert of(workshop) == {1: first, 2: other.id, 3: first}
    [acts] = rows(workshop.database, "SELECT count(DISTINCT act), count(*) FROM transitions"
                  " WHERE recorded_at = ? AND kind <> 'ask'", NOW)  # fmt: skip
    assert acts == (1, 2)
    gates = rows(workshop.database, "SELECT gates FROM copies ORDER BY id")
    shown = [("1:blank:unasked",), ("2:blank:unasked",), ("1:blank:unasked",)]
    assert gates == (shown if more else [(None,)] * 3), "each version is approved by itself"
    assert audit(DataFolder(workshop.folder.path), NOW + DAY).ok


def test_before_the_photos_pass_there_is_one_model(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    assert versions_after(workshop.database, made.model()) == []
    assert set(of(workshop).values()) == {made.model().id}
    assert audit(DataFolder(workshop.folder.path), NOW).to_look_at == []


def test_each_version_is_finished_by_itself_and_begins_its_own_copies(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    press(painter, workshop, two, "model_finished")
    steps = [step_of(workshop.database, made.copy(f"A{n}")) for n in (1, 2, 3)]
    assert steps == [Step.NOT_BEGUN, Step.BLANK, Step.NOT_BEGUN]
    assert step_of(workshop.database, made.model()) is Step.FINISHING
    press(painter, workshop, made.model(), "model_finished")
    assert step_of(workshop.database, made.copy("A3")) is Step.BLANK


def test_undoing_the_pass_takes_the_versions_back(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    act = press(painter, workshop, made.model(), "good")
    [other] = versions_after(workshop.database, made.model())
    answer = painter.post("/undo", {"entry": str(act), "once": "u", "back": "/"})
    assert answer.status_code == 303, words(answer)
    assert step_of(workshop.database, other) is Step.CANCELLED
    assert step_of(workshop.database, made.model()) is Step.ASSESSING
    assert set(of(workshop).values()) == {made.model().id}
    workshop.moment += 60
    press(painter, workshop, made.model(), "by_eye", **BY_EYE)
    assert rows(workshop.database, "SELECT pose, step FROM models WHERE open = 1") == [
        ("standing", "finishing"), ("lying", "finishing"),
    ]  # fmt: skip
    assert audit(DataFolder(workshop.folder.path), NOW + DAY).ok


def test_what_was_worked_on_is_not_taken_back(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    act = press(painter, workshop, made.model(), "good")
    [other] = versions_after(workshop.database, made.model())
    press(painter, workshop, other, "start")
    answer = painter.post("/undo", {"entry": str(act), "once": "u", "back": "/"})
    assert answer.status_code == 409
    assert "has been worked on since" in words(answer)
    assert step_of(workshop.database, made.model()) is Step.FINISHING


def test_a_pass_that_is_corrected_away_takes_the_versions_back(
    owner: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    [entry] = rows(workshop.database, "SELECT id FROM transitions WHERE move = 'good'")
    page = f"/corrections/{entry[0]}"
    form = the_form(owner.get(page).text, page)
    typed = {**form.fields, "move": "more_views", "reason": "wrong button"}
    assert owner.post(page, typed).status_code == 303
    assert step_of(workshop.database, two) is Step.CANCELLED
    assert set(of(workshop).values()) == {made.model().id}


def test_a_remake_stays_in_its_pose(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    press(painter, workshop, made.model(), "model_finished")
    press(painter, workshop, made.copy("A1"), "remake", reason="the neck", cause="model")
    [pair] = rows(workshop.database, "SELECT pose, number FROM models ORDER BY id DESC LIMIT 1")
    assert pair == ("standing", 3)
    assert "New version" in words(painter.get("/"))


# ---------------------------------------------------------------- copies that join, and edits


def add(desk: Browser, made: MadeOrder, **typed: str) -> object:
    page = desk.get(f"/orders/{made.number}").text
    [line] = {p.partition('"')[0] for p in page.split(f"/orders/{made.number}/copies/")[1:]}
    form = the_form(page, f"/orders/{made.number}/copies/{line}")
    assert "measured" in form.fields
    return desk.post(form.action, {**form.fields, "size": "90", **typed})


@pytest.mark.parametrize(
    ("typed", "joins", "kept"),
    [("", "A", "standing"), ("Lying", "two", "Lying"), ("head only", "new", "head only")],
)
def test_a_copy_that_joins_comes_to_the_version_in_its_pose(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref, typed: str, joins: str,
    kept: str,
) -> None:  # fmt: skip
    assert add(desk, made, pose=typed, measured="back").status_code == 303
    model = of(workshop)[4]
    known = {"A": made.model().id, "two": two.id}
    assert model == known.get(joins, two.id + 1)
    said = "SELECT pose, measured FROM copies WHERE number = 4"
    assert rows(workshop.database, said) == [(kept, "back")]
    assert step_of(workshop.database, Ref(Of.MODEL, model)) is Step.FINISHING


def test_before_the_photos_pass_a_copy_joins_in_any_pose(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    assert add(desk, made, pose="sitting").status_code == 303
    assert of(workshop)[4] == made.model().id


def test_no_copy_joins_a_version_that_is_finished_while_another_one_is_open(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    press(desk, workshop, two, "model_finished")
    answer = add(desk, made, pose="lying")
    assert answer.status_code == 422
    assert "The model lying is finished" in words(answer)
    assert add(desk, made, pose="standing").status_code == 303


def edit(desk: Browser, made: MadeOrder, code: str, said: str) -> object:
    page = f"/orders/{made.number}/edit"
    form = the_form(desk.get(page).text, page)
    return desk.post(page, {**form.fields, f"k{made.copy(code).id}_pose": said})


def test_a_copy_that_has_not_begun_may_be_edited_into_another_pose(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    assert edit(desk, made, "A3", "sitting").status_code == 303
    assert of(workshop)[3] == two.id + 1
    assert edit(desk, made, "A2", "standing").status_code == 303
    assert of(workshop)[2] == made.model().id
    assert step_of(workshop.database, two) is Step.CANCELLED, "no copy wants it any more"
    assert edit(desk, made, "A3", "standing").status_code == 303
    assert rows(workshop.database, "SELECT id FROM models WHERE open = 1") == [(made.model().id,)]
    assert audit(DataFolder(workshop.folder.path), NOW + DAY).ok


def test_the_only_copy_takes_its_model_into_the_new_pose(
    desk: Browser, painter: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.ASSESSING)])
    pose(workshop, made, A1="standing")
    press(painter, workshop, made.model(), "good")
    assert edit(desk, made, "A1", "lying").status_code == 303
    assert rows(workshop.database, "SELECT pose FROM models") == [("lying",)]


def test_what_comes_to_a_version_that_is_ready_begins_at_once(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    press(desk, workshop, made.model(), "model_finished")
    assert edit(desk, made, "A2", "standing").status_code == 303
    assert step_of(workshop.database, made.copy("A2")) is Step.BLANK
    assert step_of(workshop.database, two) is Step.CANCELLED


def test_the_pose_of_what_has_begun_cannot_change(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    press(desk, workshop, two, "model_finished")
    answer = edit(desk, made, "A2", "sitting")
    assert answer.status_code == 422
    assert "It has been begun: its pose can’t be changed any more." in words(answer)
    assert rows(workshop.database, "SELECT pose FROM copies WHERE number = 2") == [("lying",)]


# ---------------------------------------------------------------- what pages and figures say


def test_both_versions_are_told_apart_wherever_they_stand(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    page = words(desk.get(f"/orders/{made.number}"))
    assert "Model: Model finishing, standing. Model: Model finishing, lying, version 2." in page
    assert "Empty: standing, as A1." in page
    bench = words(desk.get("/"))
    assert "Standing" in bench
    assert "Lying" in bench
    assert "New version" not in bench, "another pose is not a remake"
    assert "Lying, version 2." in words(desk.get(address(two)))


def test_the_version_works_from_the_photos_that_there_are(
    workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    with workshop.database.writing() as db:
        db.execute(photo_deliveries.insert().values(id=1, order_id=made.id, told_at=NOW))
        db.execute(pictures.insert().values(
            id=1, delivery_id=1, order_id=made.id, path="a.jpg", name="a.jpg", sha256="0" * 64, size=9, came_at=NOW
        ))  # fmt: skip
        db.execute(picture_models.insert().values(model_id=made.model().id, picture_id=1))
        assert [row["id"] for row in photos.of_model(db, two.id)] == [1]


def test_the_facts_know_which_version_a_copy_waits_for(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    press(painter, workshop, two, "start")
    with workshop.database.reading() as db:
        [animal] = bare_facts(db, made.id).animals
    assert animal.model.step is Step.FINISHING
    one, other, three = animal.copies
    assert one.model is three.model is None
    assert other.model is not None
    assert (other.model.step, other.model.in_hand) == (Step.FINISHING, True)


def test_what_a_copy_waited_for_is_counted_from_its_order_on(
    painter: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    workshop.moment += DAY
    press(painter, workshop, two, "model_finished")
    with workshop.database.reading() as db:
        log = record.read(db).log
    mine = log.piece == made.copy("A2").id
    stays = [log.steps[code] for code in log.step[mine]]
    assert stays == ["assessing", "finishing", "blank"]
    assert log.entered[mine].tolist() == [NOW - DAY, NOW, NOW + DAY]
    assert log.left[mine].tolist()[:2] == [NOW, NOW + DAY]


def test_a_question_about_the_animal_stops_every_version(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, two: Ref
) -> None:
    form = the_form(desk.get(f"/orders/{made.number}").text, f"/orders/{made.number}/ask")
    typed = {
        "topic": "mane",
        "asked": "Left or right?",
        "about": str(made.model()),
        "waits": "here",
    }
    assert desk.post(form.action, {**form.fields, **typed}).status_code == 303
    assert piece(workshop.database, two).state.stopped


# ---------------------------------------------------------------- two poses on one model, from before


def test_two_poses_on_one_model_are_listed_until_somebody_puts_them_right(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    wanted = [Wanted(copies=2, step=Step.READY, copy_step=Step.PAINTING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    pose(workshop, made, A1="standing", A2="lying")
    found = audit(DataFolder(workshop.folder.path), NOW)
    assert found.ok
    [said] = found.to_look_at
    assert said.startswith(f"{made.number}-A: copies of one model are in two poses (")
    page = words(desk.get(f"/orders/{made.number}/edit"))
    assert "Copies of its model are in two poses." in page
    assert edit(desk, made, "A2", "standing").status_code == 303
    assert audit(DataFolder(workshop.folder.path), NOW).to_look_at == []
    assert rows(workshop.database, "SELECT pose FROM models") == [("standing",)]


def test_what_has_not_begun_gets_its_version_when_the_order_is_saved(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    wanted = [Wanted(copies=2, step=Step.FINISHING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    pose(workshop, made, A1="standing", A2="lying")
    assert len(audit(DataFolder(workshop.folder.path), NOW).to_look_at) == 1
    assert edit(desk, made, "A1", "standing").status_code == 303
    [other] = versions_after(workshop.database, made.model())
    assert of(workshop) == {1: made.model().id, 2: other.id}
    assert audit(DataFolder(workshop.folder.path), NOW).to_look_at == []
