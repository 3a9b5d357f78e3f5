"""The floor against itself: a heap and simpy to 0.0 h."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.leadtimes.floor import (
    Arrivals,
    Crew,
    Floor,
    FloorPiece,
    FloorStep,
    OpenHours,
    Rework,
    quantile_table,
    simulate,
)
from app.leadtimes.floor.draws import replication_keys
from app.leadtimes.floor.newcomers import newcomers
from tests.leadtimes.floor_reference import heap_floor, replication, simpy_floor

DAYS = 900
WEEK = OpenHours.of(
    [24.0 * d + 9 for d in range(DAYS) if d % 7 < 5 and d != 17],
    [24.0 * d + 17 for d in range(DAYS) if d % 7 < 5 and d != 17],
)
# The same for three weeks, then open for good: short enough to be printed when a test fails.
WEEKS = OpenHours.of(WEEK.opens[:15], [*WEEK.closes[:14], 10_000.0])
FIELDS = ("ready", "wait", "begun", "busy", "queued", "at_work")


def nine_steps(pieces: int = 60) -> Floor:
    """Step 1 round the clock, the others in working hours, one piece in ten sent back."""
    generator = np.random.default_rng(9)
    steps = tuple(
        FloorStep(
            f"step {i + 1}",
            quantile_table(generator.lognormal(1, 0.7, 150)),
            people=1 + i % 3,
            hours=WEEK if i else OpenHours.always(),
            rework=(Rework("step 6", 0.07), Rework("step 4", 0.03)) if i == 7 else (),
        )
        for i in range(9)
    )
    return Floor(steps, tuple(FloorPiece(f"p{k}", "step 1", oldest=k) for k in range(pieces)))


def shared_hands(pieces: int = 60) -> Floor:
    """The same nine steps, done by people who each do several."""
    floor = nine_steps(pieces)
    steps = tuple(replace(s, people=None if i else 2) for i, s in enumerate(floor.steps))
    crews = (
        Crew("screen", 2, ("step 2", "step 3")),
        Crew("hands", 3, ("step 3", "step 4", "step 5", "step 6", "step 7"), there=0.8),
        Crew("paint", 2, ("step 6", "step 7", "step 8")),
        Crew("desk", 1, ("step 9",)),
    )
    return replace(floor, steps=steps, crews=crews)


def newcomer_pieces(floor: Floor, seed: int, replications: int, row: int) -> list[FloorPiece]:
    late = newcomers(floor, replication_keys(seed, 0, replications))
    found = []
    for hour, kind, n in zip(late.hours[row], late.kind, late.number, strict=True):
        a, name = floor.arrivals[kind], f"newcomer {kind}.{n}" if kind else f"newcomer {n}"
        oldest = 1e15 + (n + 1) * float(np.mean(a.gaps_h))
        found.append(
            FloorPiece(
                name, a.step, a.last, priority=a.priority, oldest=oldest, enters_h=float(hour)
            )
        )
    return found


def assert_equals_the_heap(floor: Floor, replications: int, seed: int = 3) -> None:
    out = simulate(floor, replications, seed)
    for r in range(replications):
        late = newcomer_pieces(floor, seed, replications, r)
        ready, waited, busy, at_work = heap_floor(floor, replication(seed, r), late)
        assert [ready[p.key] for p in floor.pieces] == out.ready[r].tolist()
        steps = range(len(floor.steps))
        assert [waited[s] for s in steps] == pytest.approx(out.wait[r].tolist(), abs=1e-9)
        assert [busy[s] for s in steps] == pytest.approx(out.busy[r].tolist(), abs=1e-9)
        crews = [at_work[crew.name] for crew in floor.crews]
        assert crews == pytest.approx(out.at_work[r].tolist(), abs=1e-9)


def test_every_replication_equals_the_heap_to_0_hours():
    assert_equals_the_heap(nine_steps(), 25)


def test_every_replication_equals_simpy_to_0_hours():
    floor = nine_steps()
    out = simulate(floor, 25, 3)
    for r in range(25):
        ready = simpy_floor(floor, replication(3, r))
        assert max(abs(ready[p.key] - out.ready[r, i]) for i, p in enumerate(floor.pieces)) == 0.0


def test_people_who_do_several_steps_are_the_same_in_the_heap_and_in_simpy_to_0_hours():
    floor = shared_hands()
    assert_equals_the_heap(floor, 15)
    out = simulate(floor, 15, 3)
    for r in range(15):
        ready = simpy_floor(floor, replication(3, r))
        assert max(abs(ready[p.key] - out.ready[r, i]) for i, p in enumerate(floor.pieces)) == 0.0


def test_simpy_agrees_with_pieces_in_hand_and_newcomers_too():
    floor = nine_steps(30)
    held = (FloorPiece("held", "step 3", in_hand=True, age_h=2.5, oldest=40),
            FloorPiece("also held", "step 8", in_hand=True, age_h=0.5, oldest=41),
            FloorPiece("known", "step 5", in_hand=True, oldest=42, left=quantile_table([30, 33, 41]))
            )  # fmt: skip
    gaps = np.random.default_rng(4).exponential(9, 50)
    floor = replace(
        floor, pieces=(*floor.pieces, *held), arrivals=(Arrivals("step 2", gaps, 300.0),)
    )
    out = simulate(floor, 10, 3)
    for r in range(10):
        ready = simpy_floor(floor, replication(3, r), newcomer_pieces(floor, 3, 10, r))
        assert [ready[p.key] for p in floor.pieces] == out.ready[r].tolist()


def test_replications_are_the_same_however_many_move_together(monkeypatch):
    before = simulate(nine_steps(10), 50)
    monkeypatch.setattr("app.leadtimes.floor.outcome.TOGETHER", 7)
    for name in FIELDS:
        assert np.array_equal(getattr(simulate(nine_steps(10), 50), name), getattr(before, name))


# Whole and half hours on purpose: many things then happen at the same instant.
half_hours = st.integers(0, 12).map(lambda n: n / 2)


@st.composite
def floors(draw) -> Floor:
    count = draw(st.integers(1, 4))
    steps = []
    for i in range(count):
        places = draw(st.sampled_from([1, 1, 2, 3, None]))
        rough = draw(st.lists(half_hours, min_size=1, max_size=3))
        steps.append(
            FloorStep(
                f"s{i}",
                np.sort(np.resize(np.array(rough), 3)),
                machines=places,
                hours=draw(st.sampled_from([WEEKS, OpenHours.always()])),
                batch=draw(st.sampled_from([1, 1, 3])) if places else 1,
                rework=tuple(Rework(f"s{draw(st.integers(0, i))}", 0.3) for _ in range(draw(st.integers(0, 2)))),
            )
        )  # fmt: skip
    pieces = []
    for k in range(draw(st.integers(1, 12))):
        first = draw(st.integers(0, count - 1))
        kind = draw(st.sampled_from(["waits", "waits", "in hand", "later", "after"]))
        pieces.append(
            FloorPiece(
                f"p{k}", f"s{first}", f"s{draw(st.integers(first, count - 1))}",
                in_hand=kind == "in hand",
                age_h=draw(half_hours) if kind == "in hand" else 0.0,
                waited_h=draw(half_hours),
                priority=draw(st.integers(0, 1)),
                oldest=draw(st.integers(0, 3)),
                after=f"p{draw(st.integers(0, k - 1))}" if kind == "after" and k else None,
                enters_h=draw(half_hours) * 4 if kind == "later" else None,
            )
        )  # fmt: skip
    coming = (
        Arrivals("s0", np.array([0.0, 5.0, 12.0]), 60.0),
        Arrivals(steps[-1].name, np.array([7.0, 24.0]), 50.0),
    )[: draw(st.integers(0, 2))]
    names = st.lists(st.sampled_from([s.name for s in steps]), min_size=1, unique=True)
    crews = tuple(
        Crew(
            f"crew {k}",
            draw(st.integers(1, 3)),
            tuple(draw(names)),
            draw(st.sampled_from([1.0, 1.0, 0.5, 0.7])),
        )
        for k in range(draw(st.integers(0, 3)))
    )
    return Floor(
        tuple(steps), tuple(pieces), coming, draw(st.integers(0, 3)), draw(st.booleans()), 100.0,
        crews=crews,
    )  # fmt: skip


@settings(max_examples=250, deadline=None, derandomize=True)
@given(floors())
def test_any_floor_equals_the_heap_with_batches_forks_and_ties(floor):
    assert_equals_the_heap(floor, 3)


def hours(n: float) -> np.ndarray:
    return np.full(3, float(n))


def test_order_of_work_is_priority_then_oldest_and_rework_goes_first():
    steps = (FloorStep("painting", hours(1), people=1),)
    pieces = (FloorPiece("new", "painting", oldest=9), FloorPiece("old", "painting", oldest=2),
              FloorPiece("remake", "painting", priority=-1, oldest=99))  # fmt: skip
    assert simulate(Floor(steps, pieces), 2).ready[0].tolist() == [3, 2, 1]
    always = (replace(steps[0], rework=(Rework("painting", 1.0),)),)
    floor = Floor(always, pieces, rework_cap=1)
    assert simulate(floor, 2).ready[0].tolist() == [6, 4, 2]
    assert simulate(replace(floor, rework_first=False), 2).ready[0].tolist() == [6, 4, 2]
    late = replace(
        floor, pieces=(*pieces, FloorPiece("urgent", "painting", priority=-2, enters_h=0.5))
    )
    assert simulate(late, 2).ready[0].tolist() == [8, 6, 2, 4]
    assert simulate(replace(late, rework_first=False), 2).ready[0].tolist() == [8, 6, 4, 3]


def test_rework_that_is_certain_ends_at_the_cap():
    step = FloorStep("inspection", hours(1), people=1, rework=(Rework("inspection", 1.0),))
    for cap in (0, 3, 5):
        floor = Floor((step,), (FloorPiece("A", "inspection"),), rework_cap=cap)
        assert simulate(floor, 2).ready[0, 0] == cap + 1


def test_a_share_of_pieces_is_sent_back_as_often_as_said():
    step = FloorStep("inspection", hours(1), rework=(Rework("inspection", 0.1),))
    out = simulate(Floor((step,), (FloorPiece("A", "inspection"),), rework_cap=20), 40_000)
    assert (out.ready[:, 0] > 1).mean() == pytest.approx(0.1, abs=0.006)
    assert out.ready.mean() == pytest.approx(1 / 0.9, abs=0.01)


def test_a_batch_takes_up_to_n_pieces_and_one_that_is_in_hand_takes_nobody_new():
    step = FloorStep("blank", hours(4), machines=1, batch=3)
    pieces = tuple(FloorPiece(f"p{k}", "blank", oldest=k) for k in range(4))
    assert simulate(Floor((step,), pieces), 2).ready[0].tolist() == [4, 4, 4, 8]
    held = (FloorPiece("held", "blank", in_hand=True, age_h=1.0), *pieces[:2])
    assert simulate(Floor((step,), held), 2).ready[0].tolist() == [3, 7, 7]


def test_copies_begin_when_their_model_is_ready():
    steps = (FloorStep("finishing", hours(5), people=1), FloorStep("shaping", hours(2), people=1))
    pieces = (FloorPiece("A model", "finishing", "finishing", in_hand=True, age_h=1.0),
              FloorPiece("A1", "shaping", after="A model"), FloorPiece("A2", "shaping", after="A model", oldest=1))  # fmt: skip
    out = simulate(Floor(steps, pieces), 2)
    assert out.ready[0].tolist() == [4, 6, 8]


def test_pieces_that_leave_together_are_ready_with_the_last_of_them():
    steps = (FloorStep("packing", hours(1), people=1),)
    pieces = tuple(FloorPiece(f"p{k}", "packing", oldest=k) for k in range(4))
    floor = Floor(steps, pieces, together=(("p0", "p2"),))
    assert simulate(floor, 2).ready[0].tolist() == [3, 2, 3, 4]
    with pytest.raises(ValueError, match="leave it together"):
        simulate(replace(floor, together=(("p0", "px"),)), 2)


def test_more_in_hand_than_places_go_first_once_a_place_is_free():
    steps = (FloorStep("painting", hours(4), people=1),)
    pieces = (FloorPiece("waits", "painting", priority=-5),
              FloorPiece("first", "painting", in_hand=True, age_h=3.0),
              FloorPiece("second", "painting", in_hand=True, age_h=2.0, oldest=1))  # fmt: skip
    assert simulate(Floor(steps, pieces), 2).ready[0].tolist() == [7, 1, 3]


def test_a_painter_who_inspects_too_keeps_both_waiting():
    """By hand: one person, painting 4 h and inspecting 1 h. Alone with A and B (A older): A is
    painted 0-4, then inspected 4-5 since it is older than B, then B 5-9 and 9-10. With somebody
    who only inspects, B is painted 4-8 and inspected 8-9, and A's way stays the same.
    """
    steps = (FloorStep("painting", hours(4)), FloorStep("inspection", hours(1)))
    pieces = (FloorPiece("A", "painting"), FloorPiece("B", "painting", oldest=1))
    both = Crew("both", 1, ("painting", "inspection"))
    alone = simulate(Floor(steps, pieces, crews=(both,)), 2)
    assert alone.ready[0].tolist() == [5, 10]
    helped = Floor(steps, pieces, crews=(both, Crew("inspects", 1, ("inspection",))))
    out = simulate(helped, 2)
    assert out.ready[0].tolist() == [5, 9]
    assert out.at_work[0].tolist() == [8, 2], "who does less is taken first"
    assert out.crew_busy().value.tolist() == [8 / (28 * 24), 2 / (28 * 24)]
    assert out.busiest() == (2, 3)
    two = replace(helped, crews=(replace(both, people=2),))
    assert simulate(two, 2).ready[0].tolist() == [5, 5]
    one_bench = replace(two, steps=(replace(steps[0], people=1), steps[1]))
    assert simulate(one_bench, 2).ready[0].tolist() == [5, 9], "two people, but one bench"
    half = Floor(steps, pieces, crews=(replace(both, there=0.5),))
    assert simulate(half, 2).ready[0].tolist() == [10, 20], "there for half of the time"


def test_waiting_and_busy_share_add_up_by_hand():
    """Three pieces of 4 h, one painter, 24 h: taken up at 0, 4, 8; the second had waited 6 before."""
    pieces = (FloorPiece("A", "painting"), FloorPiece("B", "painting", oldest=1, waited_h=6),
              FloorPiece("C", "painting", oldest=2))  # fmt: skip
    out = simulate(Floor((FloorStep("painting", hours(4), people=1),), pieces, horizon_h=24.0), 5)
    assert out.wait_hours().value[0] == pytest.approx((0 + 10 + 8) / 3)
    assert out.waiting().value[0] == pytest.approx((4 + 8) / 24)
    assert out.busy_share().value[0] == pytest.approx(12 / 24)
    assert out.bottleneck().value[0] == 1
    assert out.wait_hours().error[0] == 0


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"steps": ()}, "1 to 60 steps"),
        ({"pieces": ()}, "no piece"),
        ({"pieces": (FloorPiece("A", "nowhere"),)}, "There is no step “nowhere”"),
        ({"pieces": (FloorPiece("A", "a"), FloorPiece("A", "a"))}, "key of its own"),
        ({"pieces": (FloorPiece("A", "b", "a"),)}, "last step comes before"),
        ({"pieces": (FloorPiece("A", "a", after="B"),)}, "not on the floor"),
        ({"pieces": (FloorPiece("A", "a", after="B"), FloorPiece("B", "a", after="A"))}, "circle"),
        ({"steps": (FloorStep("a", hours(1), people=0), FloorStep("b", hours(1)))}, "at least one person"),
        ({"steps": (FloorStep("a", hours(1), batch=2), FloorStep("b", hours(1)))}, "counted machine"),
        ({"steps": (FloorStep("a", hours(1), rework=(Rework("b", 0.1),)), FloorStep("b", hours(1)))}, "earlier"),
        ({"steps": (FloorStep("a", -hours(1)), FloorStep("b", hours(1)))}, "not negative"),
        ({"arrivals": (Arrivals("a", np.zeros(3), 9.0),)}, "not all of them zero"),
        ({"crews": (Crew("c", 0, ("a",)),)}, "one person at least"),
        ({"crews": (Crew("c", 1, ("a", "a")),)}, "each once"),
        ({"crews": (Crew("c", 1, ("x",)),)}, "There is no step “x”"),
        ({"crews": (Crew("c", 1, ("a",), there=0.0),)}, "some part of the time"),
        ({"crews": (Crew("c", 1, ("a",)), Crew("c", 1, ("b",)))}, "name of its own"),
    ],
)  # fmt: skip
def test_a_floor_that_makes_no_sense_is_refused_in_plain_words(change, says):
    floor = Floor((FloorStep("a", hours(1)), FloorStep("b", hours(1))), (FloorPiece("A", "a"),))
    with pytest.raises(ValueError, match=says):
        simulate(replace(floor, **change), 2)
