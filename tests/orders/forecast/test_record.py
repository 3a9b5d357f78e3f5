"""The studio's own record: what the log says of each piece's way, for the statistics."""

import math
import random
from statistics import NormalDist

import numpy as np
import pytest

from app.flow import amendments, store
from app.flow.actions import Wish, record
from app.flow.amendments import Right
from app.flow.changes import US, AskedBy
from app.flow.offers import offers
from app.flow.rules import Kind, Policy
from app.flow.stays import stays
from app.flow.steps import BENCHES, STEPS, Of, Step
from app.flow.store import Ref
from app.leadtimes.log import CANCELLED, FINISHED, OPEN, cases
from app.orders.entry.form import AddedCopy
from app.orders.entry.joining import add_copy
from app.orders.forecast import record as own
from app.shared.database import Database
from app.shared.errors import Refused
from tests.making import (
    CAST,
    DAY,
    HOUR,
    NOW,
    MadeOrder,
    Wanted,
    make_order,
    move,
    rows,
    versions_after,
    walk,
)
from tests.staff.browser import ClockedWorkshop

Way = list[tuple[str, int, int | None]]


def way(database: Database, piece: int) -> Way:
    """A piece's stays in the record: step, entered, left."""
    with database.reading() as db:
        log = own.read(db).log
    return [
        (log.steps[log.step[n]], int(log.entered[n]),
         None if np.isnan(log.left[n]) else int(log.left[n]))
        for n in np.flatnonzero(log.piece == piece)
    ]  # fmt: skip


def ends(database: Database) -> dict[int, int]:
    """How each piece of the record ended."""
    with database.reading() as db:
        found = cases(own.read(db).log)
    return dict(zip(found.piece.tolist(), found.outcome.tolist(), strict=True))


def from_assessment(database: Database, copies: int = 1) -> MadeOrder:
    wanted = [Wanted(step=Step.ASSESSING, copies=copies)]
    return make_order(database, CAST.desk, NOW, wanted)


def test_a_piece_has_waited_for_its_model_and_then_for_itself(database: Database) -> None:
    made = from_assessment(database)
    walk(database, made.model(), CAST.desk, NOW, "good", "model_finished", each=DAY)
    walk(database, made.copy(), CAST.desk, NOW + 2 * DAY, "blank_done", each=HOUR)
    assert way(database, made.copy().id) == [
        ("assessing", NOW, NOW + DAY),
        ("finishing", NOW + DAY, NOW + 2 * DAY),
        ("blank", NOW + 2 * DAY, NOW + 2 * DAY + HOUR),
        ("shaping", NOW + 2 * DAY + HOUR, None),
    ]
    assert ends(database) == {made.copy().id: OPEN}


def test_a_copy_that_joined_later_has_waited_since_it_joined(workshop: ClockedWorkshop) -> None:
    made = from_assessment(workshop.database)
    move(workshop.database, made.model(), CAST.desk, NOW + DAY, "good")
    workshop.moment = NOW + 2 * DAY
    add_copy(workshop, made.id, 1, AddedCopy(size=60), AskedBy(US), CAST.desk, "k")
    move(workshop.database, made.model(), CAST.desk, NOW + 3 * DAY, "model_finished")
    [(second,)] = rows(workshop.database, "SELECT max(id) FROM copies")
    assert way(workshop.database, int(str(second))) == [
        ("finishing", NOW + 2 * DAY, NOW + 3 * DAY), ("blank", NOW + 3 * DAY, None),
    ]  # fmt: skip
    assert way(workshop.database, made.copy().id)[0] == ("assessing", NOW, NOW + DAY)


def test_a_follow_on_copy_never_waited_for_the_model(database: Database) -> None:
    made = make_order(database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.BLANK)])
    assert way(database, made.copy().id) == [("blank", NOW, None)]


def test_remakes_are_one_piece_to_the_customer(database: Database) -> None:
    made = make_order(database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.SHAPING)])
    first = move(
        database, made.copy(), CAST.shaper, NOW + DAY, "remake", reason="ear", cause="shaping"
    )
    [second] = first.made
    move(database, second, CAST.shaper, NOW + 2 * DAY, "blank_done")
    again = move(
        database, second, CAST.shaper, NOW + 3 * DAY, "remake", reason="leg", cause="model"
    )
    [third] = [ref for ref in again.made if ref.of is Of.COPY]
    [version] = versions_after(database, made.model())
    move(database, version, CAST.finisher, NOW + 5 * DAY, "model_finished")
    assert [s for s, _, _ in way(database, made.copy().id)] == [
        "shaping", "blank", "shaping", "finishing", "blank",
    ]  # fmt: skip
    assert way(database, second.id) == way(database, third.id) == []
    assert ends(database) == {made.copy().id: OPEN}


def test_an_undone_remake_leaves_no_trace(database: Database) -> None:
    made = make_order(database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.SHAPING)])
    done = move(
        database, made.copy(), CAST.shaper, NOW + 60, "remake", reason="ear", cause="shaping"
    )
    amendments.undo(database, done.act, CAST.shaper, NOW + 90)
    assert way(database, made.copy().id) == [("shaping", NOW, None)]


def test_what_was_corrected_counts_in_its_right_form(database: Database) -> None:
    made = make_order(database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.BLANK)])
    done = move(database, made.copy(), CAST.desk, NOW + 3 * DAY, "blank_done")
    for at in (NOW + 2 * DAY, NOW + DAY):
        right = Right(happened_at=at, reason="late")
        amendments.correct(database, done.act, right, CAST.desk, NOW + 4 * DAY)
    assert way(database, made.copy().id) == [
        ("blank", NOW, NOW + DAY),
        ("shaping", NOW + DAY, None),
    ]
    amendments.correct(
        database, done.act, Right(struck=True, reason="no"), CAST.desk, NOW + 5 * DAY
    )
    assert way(database, made.copy().id) == [("blank", NOW, None)]


def test_a_cancelled_piece_ends_otherwise_than_one_that_left(database: Database) -> None:
    made = make_order(
        database, CAST.desk, NOW, [Wanted(step=Step.READY, copies=3, copy_step=Step.PACKING)]
    )
    move(database, made.copy("A1"), CAST.desk, NOW + 9, "handed_over")
    record(
        database, [Wish(made.copy("A2"), Kind.MOVE, "cancel", reason="sold", whose="customer")],
        CAST.desk, NOW + 9,
    )  # fmt: skip
    first, second, third = (made.copy(code).id for code in ("A1", "A2", "A3"))
    assert ends(database) == {first: FINISHED, second: CANCELLED, third: OPEN}


# ---------------------------------------------------------------- the same as flow.stays


def some_wish(dice: random.Random, database: Database, ref: Ref) -> Wish | None:
    with database.reading() as db:
        state = store.load(db, ref).state
    # A piece that is cancelled has no story: few are.
    open_ = [
        offer
        for offer in offers(state, CAST.owner.role, Policy())
        if offer.key != "cancel" or dice.random() < 0.1
    ]
    if not open_:
        return None
    offer = dice.choice(open_)
    return Wish(
        ref, offer.kind, offer.key if offer.kind is Kind.MOVE else "", reason="a chip",
        cause=dice.choice(("model", "shaping")), whose="studio",
        amount=7 if "parcel" in offer.needs else None,
    )  # fmt: skip


def live(database: Database, dice: random.Random, acts: int) -> list[Ref]:
    """Orders to which everything happens that a page can offer; gives every piece."""
    now = NOW
    for _ in range(4):
        make_order(database, CAST.desk, now, [Wanted(step=Step.ASSESSING, copies=2)])
    for _ in range(acts):
        last, now = now, now + dice.choice((5, 600, 90_000))
        ref = dice.choice(every_piece(database))
        [(newest,)] = rows(database, "SELECT max(id) FROM transitions")
        try:
            luck = dice.random()
            if luck < 0.15:
                now = last + 60
                amendments.undo(database, int(str(newest)), CAST.owner, now)
            elif luck < 0.3:
                right = Right(
                    happened_at=now - dice.randint(0, 3 * DAY), struck=dice.random() < 0.3,
                    reason="late",
                )  # fmt: skip
                amendments.correct(
                    database, dice.randint(1, int(str(newest))), right, CAST.owner, now
                )
            elif (wish := some_wish(dice, database, ref)) is not None:
                record(database, [wish], CAST.owner, now)
        except Refused:
            continue
    return every_piece(database)


def steps_of(found: own.OwnStays, ref: Ref) -> Way:
    mine = np.flatnonzero(found.piece == (ref.id if ref.of is Of.MODEL else -ref.id))
    return [
        (str(list(Step)[found.step[n]]), int(found.entered[n]),
         None if np.isnan(found.left[n]) else int(found.left[n]))
        for n in mine
    ]  # fmt: skip


def every_piece(database: Database) -> list[Ref]:
    return [
        Ref(of, int(str(id_)))
        for of, table in ((Of.MODEL, "models"), (Of.COPY, "copies"))
        for (id_,) in rows(database, f"SELECT id FROM {table}")
    ]


@pytest.mark.parametrize("seed", [0, 1, 2, 3, 4, 8])
def test_the_record_says_of_every_piece_what_its_log_says(
    workshop: ClockedWorkshop, seed: int
) -> None:
    pieces = live(workshop.database, random.Random(seed), 240)
    calendar = workshop.in_force().calendar
    with workshop.database.reading() as db:
        found = own.read(db).own
        for ref in pieces:
            log = store.log_of(db, ref)
            right = [
                (str(s.step), s.entered, s.left)
                for s in stays(ref.of, log, calendar, NOW + 900 * DAY)
            ]
            assert steps_of(found, ref) == right
    assert len(pieces) > 12, "remakes happened"
    assert set(rows(workshop.database, "SELECT DISTINCT kind FROM transitions")) >= {
        ("undo",), ("correction",), ("move",), ("hold",),
    }  # fmt: skip


# ---------------------------------------------------------------- usual and slow


def test_few_stays_leave_what_is_usual_in_the_trade(database: Database) -> None:
    make_order(database, CAST.desk, NOW, [Wanted(step=Step.READY, copies=19, copy_step=Step.BLANK)])
    with database.reading() as db:
        pace = own.pace_of(own.read(db), NOW + DAY)
    assert set(pace) == set(BENCHES)
    assert all(pace[s] == (STEPS[s].usual, STEPS[s].slow, False) for s in BENCHES)


def test_twenty_stays_are_the_studios_own_and_open_ones_are_counted(database: Database) -> None:
    wanted = [Wanted(step=Step.READY, copies=24, copy_step=Step.BLANK)]
    made = make_order(database, CAST.desk, NOW, wanted)
    for n in range(1, 21):
        move(database, made.copy(f"A{n}"), CAST.desk, NOW + n * DAY, "blank_done")
    with database.reading() as db:
        usual, slow, is_own = own.pace_of(own.read(db), NOW + 30 * DAY)[Step.BLANK]
    # Of 24 pieces the 12th left on day 12 and 85 % is the 21st, which has not left: no slow point.
    assert is_own is False
    assert (usual, slow) == (STEPS[Step.BLANK].usual, STEPS[Step.BLANK].slow)
    move(database, made.copy("A21"), CAST.desk, NOW + 31 * DAY, "blank_done")
    with database.reading() as db:
        usual, slow, is_own = own.pace_of(own.read(db), NOW + 32 * DAY)[Step.BLANK]
    assert (usual, slow, is_own) == (12, 31, True)


def test_stays_that_ended_over_a_year_ago_say_nothing(database: Database) -> None:
    wanted = [Wanted(step=Step.READY, copies=22, copy_step=Step.BLANK)]
    made = make_order(database, CAST.desk, NOW, wanted)
    for n in range(1, 23):
        move(database, made.copy(f"A{n}"), CAST.desk, NOW + DAY + n, "blank_done")
    with database.reading() as db:
        assert own.pace_of(own.read(db), NOW + 30 * DAY)[Step.BLANK][2]
        assert not own.pace_of(own.read(db), NOW + 400 * DAY)[Step.BLANK][2]


def test_the_defaults_fall_along_the_way() -> None:
    found = own.defaults()
    assert len(found.median) == len(own.WAY)
    assert (np.diff(found.median) < 0).all()
    assert (found.slow > found.median).all()
    assert found.median[-1] == STEPS[Step.PACKING].usual


def test_our_usual_weeks_are_the_ends_from_the_photos_passing_on() -> None:
    """A log-normal with 10 % below 42 days and 85 % below 70 has its median at
    42 exp(1.2816 ln(70/42) / (1.2816 + 1.0364)) = 55.7 days."""
    ours, trade = own.defaults((6, 10)), own.defaults()
    passing = own.WAY.index(Step.FINISHING)
    assert ours.slow[passing] == pytest.approx(70)
    low, high = NormalDist().inv_cdf(0.10), NormalDist().inv_cdf(0.85)
    spread = (math.log(70) - math.log(42)) / (high - low)
    assert ours.median[passing] == pytest.approx(math.exp(math.log(42) - low * spread), rel=1e-4)
    assert ours.median[passing] == pytest.approx(55.7, abs=0.05)
    assert np.allclose(ours.median / trade.median, ours.median[0] / trade.median[0])
    same = own.defaults((7, 7))
    assert (same.slow >= same.median * 1.1 - 1e-9).all()
