"""The floor beside simpy and ciw: `PYTHONPATH=. python tests/benchmarks/bench_floor.py`.

Nine steps, the first round the clock and the others in working hours, 200 pieces, one in ten sent
back. CPU seconds for one replication of each, median of interleaved rounds, and ratios. simpy is
written as lean as it goes: no hashing, plain random numbers, hours by bisection. ciw runs twice,
with the same weekly hours as schedules of its own, and without any hours, which is its best case.
Then 400 open copies, 2 000 replications; and what it costs that people do several steps: the same
nine steps by four crews, to the nine steps by people of their own.
"""

import random
from bisect import bisect_left, bisect_right
from dataclasses import replace
from statistics import median
from time import perf_counter, process_time

import ciw
import numpy as np
import simpy

from app.leadtimes.floor import (
    Crew,
    Floor,
    FloorPiece,
    FloorStep,
    OpenHours,
    Rework,
    quantile_table,
    simulate,
)

DAYS = 2000
OPENS = [24.0 * d + 9 for d in range(DAYS) if d % 7 < 5]
CLOSES = [a + 8 for a in OPENS]
BEFORE = [8.0 * n for n in range(len(OPENS))]
PLACES = [2, 3, 4, 2, 3, 4, 2, 3, 4]
ROUNDS = 5


def nine_steps(pieces: int, first: int = 0) -> Floor:
    generator = np.random.default_rng(1)
    week = OpenHours.of(OPENS, CLOSES)
    steps = tuple(
        FloorStep(
            f"s{i}",
            quantile_table(generator.lognormal(1.0, 0.6, 400)),
            people=places,
            hours=week if i else OpenHours.always(),
            rework=(Rework("s5", 0.1),) if i == 7 else (),
        )
        for i, places in enumerate(PLACES)
    )
    start = (f"s{first + k % (9 - first)}" if first else "s0" for k in range(pieces))
    return Floor(steps, tuple(FloorPiece(f"p{k}", s, oldest=k) for k, s in enumerate(start)))


def in_simpy(floor: Floor, tables: list[list[float]], chance: random.Random) -> float:
    env = simpy.Environment()
    places = [simpy.PriorityResource(env, n) for n in PLACES]
    cells = len(tables[0]) - 1

    def live(rank: int):
        step, rounds = 0, 0
        while step < 9:
            with places[step].request(priority=(rounds == 0, rank)) as place:
                yield place
                x = chance.random() * cells
                i = int(x)
                table = tables[step]
                work = table[i] + (x - i) * (table[i + 1] - table[i])
                if step:
                    i = bisect_right(OPENS, env.now) - 1
                    work += 0.0 if i < 0 else BEFORE[i] + min(env.now - OPENS[i], 8.0)
                    j = bisect_left(BEFORE, work) - 1
                    work = OPENS[j] + (work - BEFORE[j]) - env.now
                yield env.timeout(work)
            if step == 7 and rounds < 3 and chance.random() < 0.1:
                step, rounds = 5, rounds + 1
            else:
                step += 1

    for rank in range(len(floor.pieces)):
        env.process(live(rank))
    env.run()
    return env.now


def in_ciw(floor: Floor, hours: bool, seed: int) -> float:
    shifts = [edge for d in range(5) for edge in (24.0 * d + 9, 24.0 * d + 17)]
    routes = [[float(j == i + 1) for j in range(9)] for i in range(9)]
    routes[7] = [0.1 if j == 5 else 0.9 if j == 8 else 0.0 for j in range(9)]
    network = ciw.create_network(
        arrival_distributions=[ciw.dists.Sequential([0.0] * 200 + [1e9]), *[None] * 8],
        service_distributions=[ciw.dists.Lognormal(1.0, 0.6)] * 9,
        number_of_servers=[
            n if i == 0 or not hours
            else ciw.Schedule([0, *[n, 0] * 5], [*shifts, 168.0], preemption="resume")
            for i, n in enumerate(PLACES)
        ],
        routing=routes,
    )  # fmt: skip
    ciw.seed(seed)
    one = ciw.Simulation(network)
    one.simulate_until_max_customers(200, method="Finish")
    return float(one.current_time)


def seconds(work) -> float:
    start = process_time()
    work()
    return process_time() - start


def beside_others() -> None:
    floor, chance = nine_steps(200), random.Random(1)
    tables = [[float(q) for q in s.durations] for s in floor.steps]
    rivals = {
        "simpy": (5, lambda n: [in_simpy(floor, tables, chance) for _ in range(n)]),
        "ciw with hours": (1, lambda n: [in_ciw(floor, True, s) for s in range(n)]),
        "ciw without hours": (2, lambda n: [in_ciw(floor, False, s) for s in range(n)]),
    }
    everyone = {"ours": (2000, lambda n: simulate(floor, n, 1)), **rivals}
    times: dict[str, list[float]] = {}
    for _ in range(ROUNDS):
        for name, (count, work) in everyone.items():
            times.setdefault(name, []).append(seconds(lambda: work(count)) / count)  # noqa: B023
    print("CPU seconds a replication, median of", ROUNDS, "interleaved rounds")
    for name, values in times.items():
        print(f"  {name:18} {median(values):.6f}")
    for rival in rivals:
        ratio = median(b / a for a, b in zip(times["ours"], times[rival], strict=True))
        print(f"  ours is {ratio:6.1f} x {rival}")


def four_hundred_copies() -> None:
    floor = nine_steps(400, first=4)
    print("400 open copies over 5 steps, 2 000 replications: median CPU seconds, best wall time")
    walls, busy = [], []
    for _ in range(ROUNDS):
        start, cpu = perf_counter(), process_time()
        simulate(floor, 2000, 1).ready_at([0.05, 0.1, 0.25, 0.5, 0.75, 0.85, 0.9, 0.95])
        walls.append(perf_counter() - start)
        busy.append(process_time() - cpu)
    print(f"  {median(busy):.2f} s, {min(walls):.2f} s")


def shared_people() -> None:
    own = nine_steps(200)
    steps = tuple(replace(s, people=None) if i else s for i, s in enumerate(own.steps))
    crews = tuple(
        Crew(f"crew {k}", sum(PLACES[1:]) // 4, tuple(f"s{i}" for i in does))
        for k, does in enumerate(((1, 2, 3), (3, 4, 5), (5, 6, 7), (6, 7, 8)))
    )
    shared = replace(own, steps=steps, crews=crews)
    ratios = []
    for _ in range(ROUNDS):
        alone = seconds(lambda: simulate(own, 2000, 1))
        ratios.append(seconds(lambda: simulate(shared, 2000, 1)) / alone)
    print(f"people who do several steps, to people of their own: CPU {median(ratios):.2f} x")


if __name__ == "__main__":
    beside_others()
    four_hundred_copies()
    shared_people()
