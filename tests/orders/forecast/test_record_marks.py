"""What the record says beside the stays: late watch, and what was known when each was entered."""

import numpy as np

from app.flow.actions import Wish, record
from app.flow.changes import US, AskedBy
from app.flow.rules import Kind
from app.flow.steps import Step
from app.orders.entry.form import AddedCopy
from app.orders.entry.joining import add_copy
from app.orders.forecast import record as own
from app.orders.forecast.marks import NEVER_NEEDED
from app.orders.order import actions as order_actions
from app.shared.database import Database
from app.tables import animals
from tests.making import CAST, DAY, NOW, Wanted, make_order, move
from tests.staff.browser import ClockedWorkshop


def marked(database: Database, name: str) -> list[tuple[str, float]]:
    """The stays of all pieces: step and what is marked of it."""
    with database.reading() as db:
        log = own.read(db).log
    return [
        (log.steps[step], value)
        for step, value in zip(log.step, log.marks[name].tolist(), strict=True)
    ]


def test_an_order_under_way_is_watched_from_the_day_it_was_written_down(database: Database) -> None:
    old = make_order(
        database, CAST.desk, NOW, [Wanted(step=Step.FINISHING)], at=NOW - 40 * DAY, imported=True
    )
    new = make_order(database, CAST.desk, NOW, [Wanted(step=Step.FINISHING)])
    move(database, old.model(), CAST.finisher, NOW + DAY, "model_finished")
    with database.reading() as db:
        log = own.read(db).log
    assert log.watched_from is not None
    watched = {
        made.id: log.watched_from[log.piece == made.copy().id].tolist() for made in (old, new)
    }
    assert watched[old.id] == [NOW, NOW]
    assert np.isnan(watched[new.id]).all()
    assert log.entered[log.piece == old.copy().id].tolist() == [NOW - 40 * DAY, NOW + DAY]
    assert marked(database, "under_way") == [("finishing", 1), ("blank", 1), ("finishing", 0)]


def test_twenty_stays_taken_over_count_from_the_day_they_were_known(database: Database) -> None:
    wanted = [Wanted(step=Step.READY, copies=20, copy_step=Step.PAINTING)]
    late = make_order(database, CAST.desk, NOW, wanted, at=NOW - 30 * DAY, imported=True)
    fresh = make_order(database, CAST.desk, NOW, wanted)
    for n in range(1, 21):
        move(database, late.copy(f"A{n}"), CAST.painter, NOW + n * DAY, "painted")
        move(database, fresh.copy(f"A{n}"), CAST.painter, NOW + n * DAY, "painted")
    with database.reading() as db:
        usual, _, is_own = own.pace_of(own.read(db), NOW + 25 * DAY)[Step.PAINTING]
    # The late ones say nothing of the first 30 days: the tenth of the fresh is the median.
    assert (usual, is_own) == (10, True)


def test_what_was_cancelled_does_not_make_a_step_quick(database: Database) -> None:
    wanted = [Wanted(step=Step.READY, copies=30, copy_step=Step.SHAPING)]
    made = make_order(database, CAST.desk, NOW, wanted)
    for n in range(1, 11):
        wish = Wish(made.copy(f"A{n}"), Kind.MOVE, "cancel", reason="sold", whose="customer")
        record(database, [wish], CAST.desk, NOW + DAY)
    for n in range(11, 31):
        move(database, made.copy(f"A{n}"), CAST.shaper, NOW + n * DAY, "shaped")
    with database.reading() as db:
        usual, slow, is_own = own.pace_of(own.read(db), NOW + 60 * DAY)[Step.SHAPING]
    assert (usual, slow, is_own) == (20, 27, True)


def test_long_stays_do_not_weigh_more_because_they_reach_into_the_year(database: Database) -> None:
    """Twenty begun and over before the year, twenty that reach into it, twenty within it."""
    wanted = [Wanted(step=Step.READY, copies=20, copy_step=Step.BLANK)]
    now = NOW + 400 * DAY
    for since, length in ((0, 5), (20, 20), (100, 5)):
        made = make_order(database, CAST.desk, NOW + since * DAY, wanted)
        for n in range(1, 21):
            move(
                database, made.copy(f"A{n}"), CAST.desk, NOW + (since + length) * DAY, "blank_done"
            )
    with database.reading() as db:
        usual, _, is_own = own.pace_of(own.read(db), now)[Step.BLANK]
    assert (usual, is_own) == (5, True)


def test_a_dead_animal_is_known_as_such_from_the_day_it_was_said(
    database: Database, workshop: ClockedWorkshop
) -> None:
    made = make_order(database, CAST.desk, NOW, [Wanted(step=Step.ASSESSING)])
    move(database, made.model(), CAST.desk, NOW + DAY, "good")
    with database.writing() as db:
        order_actions.change_in(
            db, animals, made.animal_ids["A"], made.id, {"life": "remembered"}, CAST.desk,
            NOW + 2 * DAY,
        )  # fmt: skip
    move(database, made.model(), CAST.finisher, NOW + 3 * DAY, "model_finished")
    make_order(database, CAST.desk, NOW, [Wanted(step=Step.ASSESSING, life="remembered")])
    assert marked(database, "remembered") == [
        ("assessing", 0), ("finishing", 0), ("blank", 1), ("assessing", 1),
    ]  # fmt: skip


def test_copies_that_joined_later_do_not_count_before(workshop: ClockedWorkshop) -> None:
    made = make_order(
        workshop.database,
        CAST.desk,
        NOW,
        [Wanted(step=Step.ASSESSING), Wanted("Bo", step=Step.ASSESSING)],
    )
    workshop.moment = NOW + DAY
    add_copy(workshop, made.id, 1, AddedCopy(size=60), AskedBy(US), CAST.desk, "k")
    move(workshop.database, made.model("A"), CAST.desk, NOW + 2 * DAY, "good")
    make_order(workshop.database, CAST.desk, NOW, [Wanted(step=Step.ASSESSING)])
    assert marked(workshop.database, "copies") == [
        ("assessing", 2), ("finishing", 3), ("assessing", 2),
        ("assessing", 3), ("finishing", 3), ("assessing", 1),
    ]  # fmt: skip
    assert {value for _, value in marked(workshop.database, "animals")} == {1, 2}
    assert [value for _, value in marked(workshop.database, "size_mm")] == [-1, -1, -1, 60, 60, -1]


def test_a_needed_day_counts_from_the_day_on_which_it_was_given(workshop: ClockedWorkshop) -> None:
    made = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(step=Step.ASSESSING)], needed_by="2026-03-24"
    )
    workshop.moment = NOW + DAY
    order_actions.change(workshop, "orders", made.id, made.id, {"needed_by": None}, CAST.desk)
    move(workshop.database, made.model(), CAST.desk, NOW + 2 * DAY, "good")
    (_, first), (_, second) = marked(workshop.database, "days_to_needed")
    assert 19 < first < 20
    assert second == NEVER_NEEDED


def test_a_stay_waits_for_the_customer_by_its_step_or_by_an_open_question(
    database: Database,
) -> None:
    made = make_order(database, CAST.desk, NOW)
    move(database, made.model(), CAST.desk, NOW + DAY, "photos_counted", amount=20)
    made = make_order(database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.BLANK)])
    ask = Wish(made.copy(), Kind.ASK, before=Step.SHAPING)
    record(database, [ask], CAST.desk, NOW + DAY)
    move(database, made.copy(), CAST.desk, NOW + 2 * DAY, "blank_done")
    record(database, [Wish(made.copy(), Kind.ANSWER)], CAST.desk, NOW + 3 * DAY)
    move(database, made.copy(), CAST.shaper, NOW + 4 * DAY, "shaped")
    assert marked(database, "waits_for_customer") == [
        ("photos_wanted", 1), ("photos_in", 0), ("blank", 0), ("shaping", 1), ("painting", 0),
    ]  # fmt: skip
