"""The order of work: remakes and rework, then needed-by, then the oldest by accepted photos."""

from dataclasses import fields
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.flow.queue import FALLING, QueueFacts, place


def say(day: date) -> str:
    return f"{day:%-d %b}"


def waiting(**facts: object) -> QueueFacts:
    usual = {
        "remake": False, "reworks": 0, "needed_by": None, "chance": None, "accepted": None,
        "counted": None, "began": date(2026, 3, 1),
    }  # fmt: skip
    return QueueFacts(**(usual | facts))


@pytest.mark.parametrize(
    ("facts", "reason"),
    [
        ({"remake": True, "reworks": 2}, "a remake goes first"),
        ({"reworks": 1}, "rework goes first"),
        ({"needed_by": date(2026, 12, 12)}, "needed by 12 Dec"),
        ({"needed_by": date(2026, 12, 12), "chance": 0.5}, "needed by 12 Dec"),
        (
            {"needed_by": date(2026, 12, 12), "chance": FALLING, "accepted": date(2026, 3, 9)},
            "photos accepted 9 Mar",
        ),
        ({"accepted": date(2026, 3, 9), "counted": date(2026, 3, 2)}, "photos accepted 9 Mar"),
        ({"counted": date(2026, 3, 2)}, "photos here since 2 Mar"),
        ({}, "here since 1 Mar"),
    ],
)
def test_each_place_says_its_reason(facts, reason):
    assert place(waiting(**facts), say).reason == reason


def test_a_bench_is_worked_in_this_order():
    in_order = [
        waiting(remake=True, accepted=date(2026, 1, 5)),
        waiting(reworks=1, accepted=date(2026, 1, 20)),
        waiting(needed_by=date(2026, 4, 1), chance=0.4, accepted=date(2026, 2, 20)),
        waiting(needed_by=date(2026, 4, 9), accepted=date(2026, 1, 2)),
        waiting(accepted=date(2026, 1, 8), needed_by=date(2026, 3, 2), chance=0.99),
        waiting(accepted=date(2026, 1, 9)),
        waiting(counted=date(2026, 1, 10), began=date(2025, 12, 1)),
    ]
    shuffled = in_order[::-1]
    assert sorted(shuffled, key=lambda piece: place(piece, say).rank) == in_order


def test_of_two_needed_on_one_day_the_older_goes_first():
    day = date(2026, 4, 1)
    old = waiting(needed_by=day, accepted=date(2026, 1, 1))
    young = waiting(needed_by=day, accepted=date(2026, 1, 2))
    assert place(old, say).rank < place(young, say).rank


DAYS = st.dates(date(2025, 1, 1), date(2026, 12, 31))
PIECES = st.builds(
    QueueFacts, st.booleans(), st.integers(0, 2), st.none() | DAYS, st.none() | st.floats(0, 1),
    st.none() | DAYS, st.none() | DAYS, DAYS,
)  # fmt: skip


@given(PIECES, PIECES)
def test_remakes_and_rework_go_before_everything_else(one, other):
    first = bool(one.remake or one.reworks)
    if first and not (other.remake or other.reworks):
        assert place(one, say).rank < place(other, say).rank


@given(PIECES, PIECES)
def test_among_remakes_and_rework_only_age_decides(one, other):
    if (one.remake or one.reworks) and (other.remake or other.reworks):
        ages = [piece.accepted or piece.counted or piece.began for piece in (one, other)]
        ranks = [place(piece, say).rank for piece in (one, other)]
        assert (ages[0] < ages[1]) == (ranks[0] < ranks[1])


def test_nothing_about_entering_the_step_is_known_to_the_rule():
    # Were it known, rework would queue twice.
    assert {field.name for field in fields(QueueFacts)} == {
        "remake", "reworks", "needed_by", "chance", "accepted", "counted", "began",
    }  # fmt: skip
