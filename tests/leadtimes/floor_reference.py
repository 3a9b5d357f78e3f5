"""The floor once more, twice: as plain as it can be, and in simpy.

Written from the description, sharing no code with app/leadtimes/floor but its dataclasses: its own
hash in whole numbers, its own hours, a heap or simpy's clock for the order of events.
"""

import heapq
from bisect import bisect_left, bisect_right
from collections import defaultdict
from hashlib import blake2b
from itertools import accumulate

import simpy

MASK = (1 << 64) - 1


def key_of(*names):
    return int.from_bytes(blake2b("\0".join(names).encode(), digest_size=8).digest(), "little")


def mix(x):
    x = ((x ^ (x >> 30)) * 0xBF58476D1CE4E5B9) & MASK
    x = ((x ^ (x >> 27)) * 0x94D049BB133111EB) & MASK
    return x ^ (x >> 31)


def replication(seed, number):
    return mix((key_of("seed", str(seed)) + 0x9E3779B97F4A7C15 * (number + 1)) & MASK)


class Work:
    """Hours of one step, draws and ways of one replication."""

    def __init__(self, floor, key):
        self.floor, self.key = floor, key
        self.names = [s.name for s in floor.steps]
        self.first = {key: group[0] for group in floor.together for key in group}
        self.tables = [[float(q) for q in s.durations] for s in floor.steps]
        self.hours = []
        for s in floor.steps:
            opens, closes = [float(x) for x in s.hours.opens], [float(x) for x in s.hours.closes]
            lengths = [b - a for a, b in zip(opens, closes, strict=True)]
            self.hours.append((opens, closes, [0.0, *accumulate(lengths[:-1])]))

    def ends(self, step, t, work):
        """When work taken up at t is done, and its hours of work at beginning and end."""
        opens, closes, before = self.hours[step]
        i = bisect_right(opens, t) - 1
        first = 0.0 if i < 0 else before[i] + min(t - opens[i], closes[i] - opens[i])
        if not work:  # nothing to do ends at once, even at night
            return t, first, first
        j = bisect_left(before, first + work) - 1
        return max(t, opens[j] + (first + work - before[j])), first, first + work

    def worked(self, step, t):
        return self.ends(step, t, 0.0)[1]

    def hash(self, piece, step, rounds):
        name = self.first.get(piece.key, piece.key) if self.floor.steps[step].alike else piece.key
        own = key_of(name, self.names[step])
        return mix((self.key + own + rounds * 0x9E3779B97F4A7C15) & MASK)

    def duration(self, piece, step, rounds, in_hand):
        u, table = (self.hash(piece, step, rounds) >> 24) * 2.0**-40, self.tables[step]
        cells, age = len(table) - 1, piece.age_h if in_hand else 0.0
        if in_hand and piece.left is not None:
            table, age = piece.left, 0.0
        if age >= table[-1]:
            age = 0.0
        if age > table[0]:
            i = bisect_left(table, age) - 1
            share = (i + (age - table[i]) / (table[i + 1] - table[i])) / cells
            u = share + u * (1.0 - share)
        i = min(int(u * cells), cells - 1)
        return max(table[i] + (u * cells - i) * (table[i + 1] - table[i]) - age, 0.0)

    def way(self, piece, step, rounds):
        """The next step (None after the last) and how often the piece was sent back by then."""
        coin = (self.hash(piece, step, rounds) & 0xFFFFFF) * 2.0**-24
        if rounds < self.floor.rework_cap:
            for rework in self.floor.steps[step].rework:
                if coin < rework.share:
                    return self.names.index(rework.to), rounds + 1
                coin -= rework.share
        last = self.names[-1] if piece.last is None else piece.last
        return (None if self.names[step] == last else step + 1), rounds


class People:
    """Who is free of each crew; a step that no crew does needs nobody."""

    def __init__(self, floor):
        self.free = {crew.name: crew.people for crew in floor.crews}
        self.slower = {None: 1.0} | {crew.name: 1.0 / crew.there for crew in floor.crews}
        self.hands = dict(self.free)
        self.able = {step.name: [] for step in floor.steps}
        for crew in sorted(floor.crews, key=lambda crew: (len(crew.steps), -crew.there)):
            for step in crew.steps:
                self.able[step].append(crew.name)

    def turn(self, step, rank):
        """Who is first over all steps: in hand, sent back, what the fewest do, then the order."""
        return rank[0], sum(self.hands[name] for name in self.able[step]), *rank[1:]

    def some_free(self, step):
        return not self.able[step] or any(self.free[name] for name in self.able[step])

    def take(self, step):
        """The crew of whoever takes up work at a step, None where nobody is needed."""
        name = next((name for name in self.able[step] if self.free[name]), None)
        if name is not None:
            self.free[name] -= 1
        return name

    def back(self, name):
        if name is not None:
            self.free[name] += 1


def heap_floor(floor, key, newcomers=()):
    """One replication with a heap: ready hours by piece, hours waited and worked by step, hours
    worked by crew.
    """
    work, now, people = Work(floor, key), 0.0, People(floor)
    pieces = [*floor.pieces, *newcomers]
    rounds, since = defaultdict(int), {}
    ready, waited, busy, at_work = {}, *(defaultdict(float) for _ in range(3))
    queues = [[] for _ in floor.steps]
    free = [s.places or len(pieces) for s in floor.steps]
    ends, ticket = [], iter(range(10**9))

    def queue(i, step, held=False):
        p = pieces[i]
        rank = 0 if held else 1 if rounds[i] and floor.rework_first else 2
        heapq.heappush(queues[step], (rank, p.priority, p.oldest, i))
        since[i] = now

    def begin(step):
        batch, head = [], queues[step][0]
        while queues[step] and len(batch) < floor.steps[step].batch:
            if head[0] == 0 and queues[step][0][0] != 0:
                break  # nobody new joins a batch that was in hand
            rank, *_, i = heapq.heappop(queues[step])
            if not batch:
                span = work.duration(pieces[i], step, rounds[i], rank == 0)
            if rank and now < floor.horizon_h:
                waited[step] += now - since[i]
            to, rounds[i] = work.way(pieces[i], step, rounds[i])
            batch.append((i, to))
        crew = people.take(work.names[step])
        end, first, until = work.ends(step, now, span * people.slower[crew])
        cut = work.worked(step, floor.horizon_h)
        busy[step] += min(until, cut) - min(first, cut)
        free[step] -= 1
        at_work[crew] += min(until, cut) - min(first, cut)
        heapq.heappush(ends, (end, next(ticket), step, crew, batch))

    def first_to_begin():
        """The step whose best is first in line, of all that can be begun."""
        can = [
            (people.turn(work.names[s], queues[s][0]), s)
            for s in range(len(queues))
            if queues[s] and free[s] and people.some_free(work.names[s])
        ]
        return min(can)[1] if can else None

    for i, p in enumerate(pieces):
        if p.enters_h is not None:
            entry = [(i, work.names.index(p.step))]
            heapq.heappush(ends, (p.enters_h, next(ticket), None, None, entry))
        elif p.after is None:
            queue(i, work.names.index(p.step), p.in_hand)
            since[i] = 0.0 - p.waited_h
    while True:
        while (step := first_to_begin()) is not None:
            begin(step)
        if not ends:
            return ready, waited, busy, at_work
        now = ends[0][0]
        while ends and ends[0][0] == now:
            _, _, step, crew, leaving = heapq.heappop(ends)
            if step is not None:
                free[step] += 1
                people.back(crew)
            for i, to in leaving:
                if to is not None:
                    queue(i, to)
                    continue
                ready[pieces[i].key] = now
                for j, other in enumerate(pieces):
                    if other.after == pieces[i].key:
                        queue(j, work.names.index(other.step))


class Hall:
    """Where pieces of a simpy floor with crews wait for a place and for somebody, all steps in one
    line.
    """

    def __init__(self, env, floor, count):
        self.env, self.people, self.line = env, People(floor), []
        self.free = {step.name: step.places or count for step in floor.steps}

    def ask(self, step, rank):
        """An event that comes with the crew of whoever takes the piece in hand."""
        event = self.env.event()
        heapq.heappush(self.line, (self.people.turn(step, rank), step, event))
        self.deal_soon()
        return event

    def leave(self, step, crew):
        self.free[step] += 1
        self.people.back(crew)
        self.deal_soon()

    def deal_soon(self):
        """At this instant, but after all else: who leaves a step may be the next at another."""
        event = self.env.event()
        event._ok, event._value = True, None
        event.callbacks.append(self.deal)
        self.env.schedule(event, priority=2)

    def deal(self, _):
        left = []
        while self.line:
            rank, step, event = heapq.heappop(self.line)
            if self.free[step] and self.people.some_free(step):
                self.free[step] -= 1
                event.succeed(self.people.take(step))
            else:
                left.append((rank, step, event))
        self.line = left


def at_the_very(env, hour):
    """An event at an hour: a delay would round once more."""
    event = env.event()
    event._ok, event._value = True, None
    heapq.heappush(env._queue, (hour, 1, next(env._eid), event))
    return event


def simpy_floor(floor, key, newcomers=()):
    """One replication in simpy: a process a piece, a priority resource a step, or a hall where
    there are crews. No batches and no forks; pieces are made in the order of work, so that ties at
    the start fall the same way.
    """
    env, work, ready = simpy.Environment(), Work(floor, key), {}
    pieces = sorted(
        [*floor.pieces, *newcomers], key=lambda p: (not p.in_hand, p.priority, p.oldest)
    )
    places = [simpy.PriorityResource(env, s.places or len(pieces)) for s in floor.steps]
    hall = Hall(env, floor, len(pieces)) if floor.crews else None

    def live(i, p):
        if p.enters_h is not None:
            yield env.timeout(p.enters_h)
        step, rounds, held = work.names.index(p.step), 0, p.in_hand
        while step is not None:
            rank = 0 if held else 1 if rounds and floor.rework_first else 2
            rank, name = (rank, p.priority, p.oldest, i), work.names[step]
            if hall is None:
                place = places[step].request(priority=rank)
                yield place
                slower = 1.0
            else:
                crew = yield hall.ask(name, rank)
                slower = hall.people.slower[crew]
            end, *_ = work.ends(step, env.now, work.duration(p, step, rounds, held) * slower)
            to, rounds = work.way(p, step, rounds)
            yield at_the_very(env, end)
            if hall is None:
                places[step].release(place)
            else:
                hall.leave(name, crew)
            step, held = to, False
        ready[p.key] = env.now

    for i, p in enumerate(pieces):
        env.process(live(i, p))
    env.run()
    return ready
