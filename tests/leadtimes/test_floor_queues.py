"""The floor against queueing theory, whose answers are known, and against ciw."""

from math import exp, factorial

import ciw
import numpy as np
import pytest
from scipy.stats import ks_2samp

from app.leadtimes.floor import Arrivals, Crew, Floor, FloorPiece, FloorStep, Rework, simulate
from app.leadtimes.floor.arrays import lay_out
from app.leadtimes.floor.draws import PER_40, S24, mix, replication_keys
from app.leadtimes.floor.newcomers import door_book, newcomers
from app.leadtimes.floor.outcome import mean, run_plan

CELLS = 4096


def exponential(average: float) -> np.ndarray:
    """A quantile table of the exponential, its last point set so that the mean is right."""
    table = -average * np.log1p(-np.minimum(np.arange(CELLS + 1) / CELLS, 1 - 1e-12))
    table[-1] = 2 * (average * CELLS - table[1:-1].sum())
    return table


def erlang_c(servers: int, offered: float) -> float:
    """The chance of waiting (Erlang 1917), from the plain sum."""
    terms = [offered**k / factorial(k) for k in range(servers + 1)]
    waits = terms[-1] * servers / (servers - offered)
    return waits / (sum(terms[:-1]) + waits)


def queue(servers: int, gap: float, service: float, people: int, skip: int, runs: int, seed: int):
    """Waits (runs × people who came after the first `skip`) of an M/M/c queue."""
    gaps = exponential(gap)
    arrivals = Arrivals("desk", (gaps[1:] + gaps[:-1]) / 2, until_h=gap * people)
    floor = Floor((FloorStep("desk", exponential(service), people=servers),), (), (arrivals,))
    keys = replication_keys(seed, 0, runs)
    late = newcomers(floor, keys)
    plan, came = lay_out(floor, late), late.hours
    ready, *_ = run_plan(plan, keys, *door_book(floor, late))
    x = (mix(keys[:, None] + plan.key[None, :, 0]) >> S24) * PER_40 * CELLS
    cell = x.astype(int)
    table = plan.table[0]
    work = table[cell] + (x - cell) * (table[cell + 1] - table[cell])
    shortest = int(np.isfinite(came).sum(axis=1).min())
    return (ready[:, :shortest] - came[:, :shortest] - work[:, :shortest])[:, skip:]


def test_the_formula_gives_the_tables():
    assert erlang_c(2, 20 / 30) == pytest.approx(1 / 6)
    assert erlang_c(3, 2) == pytest.approx(4 / 9)
    assert erlang_c(55, 48) == pytest.approx(0.2387, abs=5e-5)
    assert erlang_c(55, 48) * 240 / 7 == pytest.approx(8.184, abs=5e-4)  # seconds
    assert 1 - erlang_c(55, 48) * exp(-7 * 15 / 240) == pytest.approx(0.8459, abs=5e-5)


# Servers, gap, service, waiting time: M/M/1 and M/M/2 as in textbooks.
@pytest.mark.parametrize(
    ("servers", "gap", "service", "theory", "close"),
    [(1, 1.25, 1.0, 4.0, 0.03), (2, 1 / 20, 1 / 30, (1 / 12) / 20, 0.03),
     (1, 1 / 2, 1 / 3, 2 / 3, 0.03), (2, 1 / 2, 1 / 3, 1 / 24, 0.03)],
)  # fmt: skip
def test_waiting_times_of_textbook_queues(servers, gap, service, theory, close):
    waits = queue(servers, gap, service, people=1800, skip=600, runs=600, seed=11)
    found = mean(waits.mean(axis=1))
    assert found.error < close * theory / 2
    assert abs(found.value - theory) < 4 * found.error + 0.002 * theory


def test_fifty_five_agents_with_360_calls_in_half_an_hour():
    waits = queue(55, 1 / 12, 4.0, people=2600, skip=900, runs=400, seed=12) * 60  # seconds
    for share, theory in (
        ((waits > 1e-6).mean(axis=1), 0.2387),
        (waits.mean(axis=1), 8.184),
        ((waits <= 15).mean(axis=1), 0.8459),
    ):
        found = mean(share)
        assert found.error < 0.06 * theory
        assert abs(found.value - theory) < 4 * found.error


def test_one_person_for_two_steps_is_a_queue_with_service_in_two_parts():
    """Oldest first, so whoever has been begun is finished: M/E2/1, whose time in the system is
    given by Pollaczek and Khinchine. At rate 0.4 with two parts of 1 h each, on average:
    0.4 x 6 / (2 x 0.2) = 6 h of waiting and 2 h of work. All of the waiting is before the first.
    """
    gaps = exponential(2.5)
    coming = Arrivals("one", (gaps[1:] + gaps[:-1]) / 2, until_h=2.5 * 1500)
    steps = (FloorStep("one", exponential(1.0)), FloorStep("two", exponential(1.0)))
    floor = Floor(steps, (), (coming,), crews=(Crew("she", 1, ("one", "two")),), horizon_h=1e6)
    keys = replication_keys(13, 0, 500)
    late = newcomers(floor, keys)
    plan, came = lay_out(floor, late), late.hours
    ready, wait, *_ = run_plan(plan, keys, *door_book(floor, late))
    shortest = int(np.isfinite(came).sum(axis=1).min())
    settled = slice(500, shortest)
    found = mean((ready[:, settled] - came[:, settled]).mean(axis=1))
    assert found.error < 0.15
    assert abs(found.value - 8) < 4 * found.error
    assert wait[:, 1].max() == 0


def test_little_s_law_holds_at_every_step_where_people_are_shared():
    """Number waiting = rate x wait at each step, and everybody's hours are the steps' hours."""
    coming = Arrivals("a", exponential(2.0), until_h=300.0)
    steps = (
        FloorStep("a", exponential(1.0)),
        FloorStep("b", exponential(1.5), rework=(Rework("a", 0.2),)),
        FloorStep("c", exponential(0.5), machines=1),
    )
    crews = (Crew("ab", 2, ("a", "b")), Crew("bc", 1, ("b", "c"), there=0.8))
    out = simulate(Floor(steps, (), (coming,), horizon_h=3000, crews=crews), 200)
    through = out.begun.mean(axis=0)
    assert out.waiting().value * 3000 == pytest.approx(out.wait_hours().value * through, rel=1e-9)
    assert through[0] > out.begun[:, 2].mean(), "some come back"
    assert out.at_work.sum(axis=1) == pytest.approx(out.busy.sum(axis=1))


def test_little_s_law_holds_on_the_floor():
    """Number waiting = rate × wait, over a horizon with an empty floor at both its ends."""
    arrivals = Arrivals("desk", exponential(1.25), until_h=400.0)
    out = simulate(
        Floor((FloorStep("desk", exponential(1.0), people=1),), (), (arrivals,), horizon_h=2000),
        200,
    )
    waited = out.waiting().value[0] * 2000
    assert waited == pytest.approx((out.wait_hours().value * out.begun.mean(axis=0))[0])
    assert waited == pytest.approx(out.wait.mean(), rel=1e-9)


SERVICES = ((2, 1.5), (1, 0.7), (3, 2.4))
CUSTOMERS = 40


def ciw_makespans(runs: int) -> tuple[np.ndarray, np.ndarray]:
    """When the 10th piece by number and the last of all are ready, in ciw."""

    def oldest_first(waiting, _):
        return min(waiting, key=lambda one: one.id_number)

    network = ciw.create_network(
        arrival_distributions=[ciw.dists.Sequential([0.0] * CUSTOMERS + [1e9]), None, None],
        service_distributions=[ciw.dists.Exponential(1 / average) for _, average in SERVICES],
        number_of_servers=[servers for servers, _ in SERVICES],
        routing=[[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.25, 0.0, 0.0]],
        service_disciplines=[oldest_first] * 3,
    )
    tenth, last = [], []
    for run in range(runs):
        ciw.seed(1000 + run)
        one = ciw.Simulation(network)
        one.simulate_until_max_customers(CUSTOMERS, method="Finish")
        exits = {}
        for record in one.get_all_records():
            exits[record.id_number] = max(exits.get(record.id_number, 0), record.exit_date)
        tenth.append(exits[10])
        last.append(max(exits.values()))
    return np.array(tenth), np.array(last)


def test_ready_hours_are_distributed_as_in_ciw():
    """Three steps, a quarter of the pieces sent back to the first: Kolmogorov-Smirnov."""
    steps = tuple(
        FloorStep(f"s{i}", exponential(average), people=servers,
             rework=(Rework("s0", 0.25),) if i == 2 else ())
        for i, (servers, average) in enumerate(SERVICES)
    )  # fmt: skip
    pieces = tuple(FloorPiece(f"p{k}", "s0", oldest=k) for k in range(CUSTOMERS))
    floor = Floor(steps, pieces, rework_cap=60, rework_first=False)
    ready = simulate(floor, 2000, 5).ready
    tenth, last = ciw_makespans(250)
    assert ks_2samp(ready[:, 9], tenth).pvalue > 0.05
    assert ks_2samp(ready.max(axis=1), last).pvalue > 0.05


def test_who_alone_can_do_something_does_not_begin_what_others_can_do_too():
    """By hand: she inspects the newest for an hour before she paints what is older; he paints
    meanwhile. What is painted at 4 and at 5 waits for her until 5, and the older one goes first."""
    paint, inspect = (FloorStep(name, np.full(2, h)) for name, h in (("paint", 4.0), ("look", 1.0)))
    pieces = (
        FloorPiece("first", "paint", oldest=1), FloorPiece("second", "paint", oldest=2),
        FloorPiece("newest", "look", oldest=3),
    )  # fmt: skip
    crews = Crew("he", 1, ("paint",)), Crew("she", 1, ("paint", "look"))
    ready = simulate(Floor((paint, inspect), pieces, crews=crews), 2).ready
    assert ready[0] == pytest.approx([6, 7, 1])
