"""The floor built from the log, and the command that runs it."""

import io
import time

import numpy as np
import pytest
from sqlalchemy import insert

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import Step
from app.leadtimes.floor import Crew
from app.owner import own_log, whatif_command
from app.owner.floor_hands import most_at_once
from app.owner.floor_now import NAMES
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.tables import settings as settings_table
from tests.making import CAST, DAY, HOUR, NOW, Wanted, make_order, walk


def run(workshop, *settings, replications=60):
    out, err = io.StringIO(), io.StringIO()
    code = whatif_command.main(
        workshop,
        settings,
        replications=replications,
        monotonic=time.monotonic,
        stdout=out,
        stderr=err,
    )
    return code, out.getvalue(), err.getvalue()


def test_at_most_so_many_are_in_hand_at_one_moment():
    start, end = np.array([0, 1, 2, 10]), np.array([2, 5, 4, 12])
    assert most_at_once(start, end) == 2, "one leaves at 2 as the next comes"
    assert most_at_once(start[:0], end[:0]) == 0


def test_the_floor_has_the_studios_steps_pieces_and_hours_of_work(empty):
    # NOW is a Wednesday, 10:00. A piece taken up on Monday at 10:00 and left on Tuesday at 12:00
    # was worked on from 10 to 17 and from 9 to 12: ten hours.
    monday = NOW - 2 * DAY
    want = Wanted("Juniper", copies=2, step=Step.READY, copy_step=Step.SHAPING)
    made = make_order(empty.database, CAST.desk, monday - 60, [want])
    first, second = made.copy("A1"), made.copy("A2")
    record(empty.database, [Wish(first, Kind.START, "start")], CAST.shaper, monday, None)
    walk(empty.database, first, CAST.shaper, NOW - DAY + 2 * HOUR - 60, "shaped")
    record(empty.database, [Wish(second, Kind.START, "start")], CAST.shaper, NOW - HOUR, None)
    empty.moment = NOW
    floor = whatif_command.floor_of(empty).floor
    shaping = floor.steps[floor.index("Shaping")]
    # Ten hours of its own, and the default worth ten stays: mean (10 + 10 x 4 x 1.2) / 11.
    assert shaping.durations.mean() == pytest.approx((10 + 10 * 4.8) / 11, rel=0.01)
    assert shaping.people is None, "nobody has counted the benches"
    assert floor.crews == (Crew("Shaping", 1, ("Shaping",)),)
    pieces = {p.key: p for p in floor.pieces}
    assert pieces["1001-A1"].step == "Painting"
    assert not pieces["1001-A1"].in_hand
    assert pieces["1001-A1"].waited_h == pytest.approx(22)
    assert pieces["1001-A2"].in_hand
    assert pieces["1001-A2"].step == "Shaping"
    assert pieces["1001-A2"].age_h == pytest.approx(1)


def test_an_open_model_holds_its_copies_and_a_held_one_is_left_out(empty):
    made = make_order(empty.database, CAST.desk, NOW - DAY, [Wanted("Otis"), Wanted("Fern")])
    hold = Wish(made.model("B"), Kind.HOLD, "hold", reason="away", whose="customer")
    record(empty.database, [hold], CAST.desk, NOW - HOUR, None)
    empty.moment = NOW
    built = whatif_command.floor_of(empty)
    pieces = {p.key: p for p in built.floor.pieces}
    assert set(pieces) == {"1001-A", "1001-A1"}
    assert pieces["1001-A1"].after == "1001-A"
    assert pieces["1001-A1"].step == NAMES[Step.BLANK]
    assert pieces["1001-A"].last == NAMES[Step.FINISHING]
    assert built.parked == 2


def test_where_nobody_says_what_they_take_in_hand_stays_are_as_long_as_the_log_s(empty):
    # In from Monday at 10:00 to Tuesday at 12:00: ten working hours, and who worked is not said.
    monday = NOW - 2 * DAY
    want = Wanted("Juniper", copies=2, step=Step.READY, copy_step=Step.SHAPING)
    made = make_order(empty.database, CAST.desk, monday - 60, [want])
    walk(empty.database, made.copy("A1"), CAST.shaper, NOW - DAY + 2 * HOUR - 60, "shaped")
    empty.moment = NOW
    floor = whatif_command.floor_of(empty).floor
    assert floor.crews == ()
    assert floor.steps[floor.index("Shaping")].people == 1
    lies = floor.steps[floor.index("Shaping (not looked at)")]
    hands = floor.steps[floor.index("Shaping")].durations.mean()
    assert lies.durations.mean() + hands == pytest.approx(10, abs=0.02)
    second = next(p for p in floor.pieces if p.key == "1001-A2")
    assert second.step == "Shaping (not looked at)"
    assert second.age_h == pytest.approx(16, abs=1 / 60), "two days of eight hours"


def test_an_order_s_copies_leave_together_unless_they_are_sent_in_parts(empty):
    want = Wanted("Juniper", copies=2, step=Step.READY, copy_step=Step.PACKING)
    make_order(empty.database, CAST.desk, NOW - DAY, [want])
    make_order(empty.database, CAST.desk, NOW - DAY, [want], ship_part=1)
    empty.moment = NOW
    assert whatif_command.floor_of(empty).floor.together == (("1001-A1", "1001-A2"),)


def test_pieces_stand_in_the_order_of_work_of_the_benches(empty):
    for name, needed in (("Otis", None), ("Fern", "2027-01-10"), ("Bramble", "2026-12-20")):
        wanted = Wanted(name, step=Step.READY, copy_step=Step.PAINTING)
        make_order(empty.database, CAST.desk, NOW - DAY, [wanted], needed_by=needed)
    empty.moment = NOW
    pieces = whatif_command.floor_of(empty).floor.pieces
    ranked = sorted(pieces, key=lambda p: (p.priority, p.oldest))
    assert [p.key for p in ranked] == ["1003-A1", "1002-A1", "1001-A1"]


def test_a_studio_that_is_never_open_is_told_so(empty):
    make_order(empty.database, CAST.desk, NOW - DAY, [Wanted("Otis")])
    with empty.database.writing() as db:
        row = {"name": "hours", "value": "{}", "changed_at": NOW}
        db.execute(insert(settings_table).values(row))
    empty.moment = NOW
    code, out, err = run(empty)
    assert (code, out) == (2, "")
    assert "never open" in err


def test_it_prints_the_floor_now_and_against_then(workshop):
    code, alone, _ = run(workshop)
    assert code == 0
    assert "60 simulations" in alone
    assert "bottleneck" in alone
    assert "change" not in alone
    code, both, _ = run(workshop, "painting people=+1", "finishing people=3")
    assert code == 0
    assert "→" in both
    assert "Now: " in both
    assert "Then: " in both


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        (["panting people=3"], "Did you mean “Painting”?"),
        (["painting peple=3"], "Did you mean “people”?"),
        (["painting people=many"], "a whole number is needed"),
        (["painting"], "is no setting"),
    ],
)
def test_a_setting_that_cannot_be_understood_ends_in_words_and_64(workshop, settings, said):
    code, out, err = run(workshop, *settings)
    assert (code, out) == (64, "")
    assert said in err
    assert "Traceback" not in err


def test_too_few_runs_are_wrong_usage(workshop):
    assert run(workshop, replications=1)[0] == 64


def test_with_nothing_in_work_it_says_so(empty):
    code, out, err = run(empty)
    assert (code, out) == (2, "")
    assert "No piece is in work" in err


def test_the_own_log_is_a_table_whose_pieces_are_named_by_their_codes(workshop):
    table = own_log.own_table(workshop)
    assert len(table.names) == len(set(table.names)) == np.unique(table.log.piece).size
    assert table.log.piece.max() == len(table.names) - 1
    assert all("-" in name for name in table.names)


def test_no_studio_is_no_traceback(tmp_path):
    with pytest.raises(CannotStart, match="no workshop"), own_log.studio_in(DataFolder(tmp_path)):
        pass
