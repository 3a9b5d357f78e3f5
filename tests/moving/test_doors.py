"""One way to move a piece: whichever page asks, the same rows are written, or none.

Every move is made on equal studios through every door that takes it; all tables are compared.
"""

import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest
from sqlalchemy import insert, update

from app.flow.steps import MOVES, PASSED, Move, MoveKey, Of, Step
from app.flow.store import Ref
from app.main import staff_site
from app.shared.places import DataFolder
from app.studio.curing import NOTHING
from app.tables import marks, orders
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, rows, step_of
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import LOOKED_AT, free_to_leave, words

SAID = {
    "coat": NOTHING,
    "amount": "14", "views": "left side of the face", "limits": "the tail", "agreed": "by phone",
    "reason": "a chip", "cause": "painting", "whose": "studio", "sure": "1",
}  # fmt: skip
# What differs because two studios are two: sessions, keys of forms, the order of the writes.
APART = {"sessions", "house", "accounts"}


class Studio:
    """A studio of one order with an animal at a step, its site and a signed-in person.

    `version` is that of the piece, as its page shows it.
    """

    version = 1

    def __init__(self, template: Path, folder: Path, move: Move) -> None:
        place = DataFolder(folder)
        place.prepare()
        shutil.copyfile(template, place.database_file)
        self.workshop = ClockedWorkshop(place)
        model = move.start if move.of is Of.MODEL else Step.READY
        copy = Step.NOT_BEGUN if move.of is Of.MODEL else move.start
        wanted = [Wanted(step=model, copy_step=copy, copies=2)]
        self.made: MadeOrder = make_order(self.workshop.database, CAST.desk, NOW - DAY, wanted)
        self.ref: Ref = self.made.model() if move.of is Of.MODEL else self.made.copy()
        free_to_leave(self.workshop, self.made)
        with self.workshop.database.writing() as db:
            db.execute(update(orders).values(ship_part=1))
            db.execute(insert(marks).values(animal_id=self.made.animal_ids["A"], what="torn ear"))
        self.browser = Browser(staff_site(self.workshop)).as_(self.workshop, CAST.owner)

    def rows(self) -> dict[str, list[tuple[object, ...]]]:
        """Everything that is written, table by table."""
        with sqlite3.connect(self.workshop.folder.database_file) as raw:
            tables = raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            found = {
                name: raw.execute(f"SELECT * FROM {name}").fetchall()
                for (name,) in tables
                if name not in APART and not name.startswith("sqlite_")
            }
        raw.close()
        return found


def by_row(studio: Studio, move: Move, said: Mapping[str, str]) -> int:
    value = f"sure.{move.key}:{studio.ref}:{studio.version}"
    return studio.browser.post("/benches/move", {"move": value, "once": "k"}).status_code


def by_ticks(studio: Studio, move: Move, said: Mapping[str, str]) -> int:
    value = f"sure.{move.key}:ticked:{move.start}"
    typed = {"move": value, "once": "k", "tick": f"{studio.ref}:{studio.version}"}
    return studio.browser.post("/benches/move", typed).status_code


def by_piece(studio: Studio, move: Move, said: Mapping[str, str]) -> int:
    typed = {
        "move": str(move.key),
        "version": str(studio.version),
        "once": "k",
        "mark": "1",
        "check": LOOKED_AT,
        **said,
    }
    address = f"/pieces/{studio.ref.of}/{studio.ref.id}/move"
    return studio.browser.post(address, typed).status_code


def by_assessment(studio: Studio, move: Move, said: Mapping[str, str]) -> int:
    typed = {"move": str(move.key), "version": str(studio.version), "once": "k", **said}
    if "views" in typed:
        typed["view"] = typed.pop("views")
    return studio.browser.post(f"/assess/{studio.ref.id}", typed).status_code


def by_builds(studio: Studio, move: Move, said: Mapping[str, str]) -> int:
    typed = {"move": str(move.key), "set": f"{studio.ref}:{studio.version}", "once": "k"}
    return studio.browser.post("/builds/end", typed).status_code


def by_last_coat(studio: Studio, move: Move, said: Mapping[str, str]) -> int:
    typed = {"piece": f"{studio.ref}:{studio.version}", "once": "k", **said}
    return studio.browser.post("/last-coat", typed).status_code


def by_order(studio: Studio, move: Move, said: Mapping[str, str]) -> int:
    typed = {"about": str(studio.ref), "once": "k", **said}
    return studio.browser.post(f"/orders/{studio.made.number}/cancel", typed).status_code


Door = Callable[[Studio, Move, Mapping[str, str]], int]
JUDGED = {*PASSED, MoveKey.MORE_VIEWS, MoveKey.NEW_SET, MoveKey.BUILD_AGAIN}
ENDS = {MoveKey.BUILD_FINISHED, MoveKey.BUILD_FAILED, MoveKey.BUILD_STOPPED}


def doors(move: Move) -> list[Door]:
    """The pages that take a move, the piece's own first."""
    found: list[Door] = [by_piece]
    if not move.needs:
        found += [by_row, by_ticks]
    if move.needs == ("coat",):
        found.append(by_last_coat)
    if move.key in JUDGED and move.start is Step.ASSESSING:
        found.append(by_assessment)
    if move.key in ENDS:
        found.append(by_builds)
    if move.key is MoveKey.CANCEL and move.of is Of.COPY:
        found.append(by_order)
    return found


def words_of(move: Move) -> dict[str, str]:
    """What a move's form has to hold."""
    asks = {"finding": ("reason", "cause"), "limits": ("limits", "agreed")}
    names = [name for need in move.needs for name in asks.get(need, (need,)) if name in SAID]
    if move.key.startswith("back_to_"):
        names.remove("cause")
    return {name: SAID[name] for name in (*names, "sure")}


FREELY = [m for m in MOVES if m.key is not MoveKey.HANDED_OVER and m.key is not MoveKey.BEGUN]


@pytest.mark.parametrize("move", FREELY, ids=lambda m: f"{m.key}-{m.start}-{m.end}")
def test_every_door_writes_the_same(template: Path, tmp_path: Path, move: Move) -> None:
    written = []
    for n, door in enumerate(doors(move)):
        studio = Studio(template, tmp_path / str(n), move)
        assert door(studio, move, words_of(move)) == 303, door.__name__
        assert step_of(studio.workshop.database, studio.ref) is move.end
        written.append((door.__name__, studio.rows()))
        studio.workshop.close()
    for name, found in written[1:]:
        assert found == written[0][1], f"{name} beside {written[0][0]}"


ASKING = [m for m in MOVES if m.needs]
EVERY: tuple[Door, ...] = (by_row, by_ticks, by_piece, by_assessment, by_builds)


@pytest.mark.parametrize("move", ASKING, ids=lambda m: f"{m.key}-{m.start}")
def test_no_door_moves_anything_without_the_words_it_needs(
    template: Path, tmp_path: Path, move: Move
) -> None:
    studio = Studio(template, tmp_path / "studio", move)
    with studio.workshop.database.writing() as db:
        db.execute(update(marks).values(must=1))
    before = studio.rows()
    for door in EVERY:
        if door is by_piece and move.key is MoveKey.PASSED:
            continue  # its form below ticks the mark
        if door in (by_assessment, by_builds) and move.of is Of.COPY:
            continue
        # Where a last coat is wanted a row leads to the page that asks for it.
        asks = (303,) if move.needs == ("coat",) and door in (by_row, by_ticks) else ()
        assert door(studio, move, {"sure": "1"}) in (403, 404, 409, 422, *asks), door.__name__
    assert studio.rows() == before
    studio.workshop.close()


@pytest.fixture
def studio(template: Path, tmp_path: Path) -> Iterator[Callable[[MoveKey], Studio]]:
    made: list[Studio] = []

    def at(key: MoveKey) -> Studio:
        move = next(move for move in MOVES if move.key is key)
        made.append(Studio(template, tmp_path / f"own{len(made)}", move))
        return made[-1]

    yield at
    for one in made:
        one.workshop.close()


# What has to be said in words is not said from a row.
FROM_A_ROW = {m.key for m in MOVES if m.key in PASSED and not m.needs}


@pytest.mark.parametrize("key", sorted(FROM_A_ROW))
def test_a_model_passed_from_a_row_opens_the_copy_deadline(studio, key: MoveKey) -> None:
    asked = studio(key)
    tap = {"move": f"start:{asked.ref}:1", "once": "a"}
    assert asked.browser.post("/benches/move", tap).status_code == 303
    tap = {"move": f"{key}:{asked.ref}:2", "once": "b"}
    assert asked.browser.post("/benches/move", tap).status_code == 303
    [(day,)] = rows(asked.workshop.database, "SELECT copy_deadline FROM orders")
    assert day == "2026-03-11"


@pytest.mark.parametrize(("day", "asks"), [("2026-03-03", False), ("2026-03-04", True),
                                           ("2026-03-05", True)])  # fmt: skip
def test_row_and_piece_page_ask_alike_before_a_copy_deadline(studio, day: str, asks: bool) -> None:
    answers = []
    for by in ("row", "piece"):
        asked = studio(MoveKey.MODEL_FINISHED)
        with asked.workshop.database.writing() as db:
            db.execute(update(orders).values(copy_deadline=day))
        typed = {"move": "start", "version": "1", "once": "a"}
        assert asked.browser.post(f"/pieces/model/{asked.ref.id}/move", typed).status_code == 303
        if by == "row":
            tap = {"move": f"model_finished:{asked.ref}:2", "once": "b"}
            answer = asked.browser.post("/benches/move", tap)
        else:
            typed = {"move": "model_finished", "version": "2", "once": "b"}
            answer = asked.browser.post(f"/pieces/model/{asked.ref.id}/move", typed)
        answers.append(answer.status_code == 303)
        if asks:
            assert "More copies may still join the order of Juniper" in words(answer)
    assert answers == [not asks] * 2


def test_nothing_is_handed_over_without_a_parcel_whoever_asks(studio) -> None:
    for person in (CAST.owner, CAST.desk, CAST.painter):
        asked = studio(MoveKey.HANDED_OVER)
        asked.browser.as_(asked.workshop, person)
        before = asked.rows()
        typed = {"move": "handed_over", "version": "1", "once": "a", "reason": "so"}
        answer = asked.browser.post(f"/pieces/copy/{asked.ref.id}/move", typed)
        assert answer.status_code in (409, 422)
        assert asked.rows() == before


def test_ticked_pieces_that_nobody_has_in_hand_are_named_and_asked_about(studio) -> None:
    asked = studio(MoveKey.SHAPED)
    one, two = asked.made.copy("A1"), asked.made.copy("A2")
    aside = {"move": "aside", "version": "1", "once": "a", "reason": "waiting for daylight"}
    assert asked.browser.post(f"/pieces/copy/{two.id}/move", aside).status_code == 303
    before = asked.rows()
    ticks = [f"copy:{one.id}:1", f"copy:{two.id}:2"]
    tap = {"move": "shaped:ticked:shaping", "once": "b", "tick": ticks}
    answer = asked.browser.post("/benches/move", tap)
    assert answer.status_code == 409
    assert f"Nobody has taken Juniper {asked.made.number}-A1 in hand." in words(answer)
    assert f"Odile set Juniper {asked.made.number}-A2 aside." in words(answer)
    assert asked.rows() == before
    yes = re.search(r'value="(sure\.shaped:ticked:shaping)">Move them on anyway', answer.text)
    assert yes is not None
    assert asked.browser.post("/benches/move", tap | {"move": yes[1]}).status_code == 303
    for ref in (one, two):
        assert step_of(asked.workshop.database, ref) is Step.PAINTING


def test_a_piece_in_other_hands_is_asked_for_on_its_page_too(studio) -> None:
    asked = studio(MoveKey.SHAPED)
    address = f"/pieces/copy/{asked.ref.id}/move"
    typed = {"move": "start", "version": "1", "once": "a"}
    assert asked.browser.post(address, typed).status_code == 303
    asked.browser.as_(asked.workshop, CAST.painter)
    typed = {"move": "start", "version": "2", "once": "b"}
    answer = asked.browser.post(address, typed)
    assert answer.status_code == 422
    assert "Odile has Juniper" in words(answer)
    assert asked.browser.post(address, typed | {"sure": "1"}).status_code == 303
