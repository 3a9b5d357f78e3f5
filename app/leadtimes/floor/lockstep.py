"""All replications in lockstep: at each turn every replication comes to its own next instant.

The turn of one replication: something ends (or a newcomer enters); when nothing else happens at
that same instant, whoever is free takes up the best of its queue. So what happens together is seen
together, and the order of slots decides nothing. A step that is closed takes up work all the same
if a place is free; the work itself goes on only in its hours. Where steps share people, one piece
after the other is taken up: what was in hand, what was sent back, then what the fewest people do,
and of that the first in the order of work; else the steps of a replication have nothing to do with
each other, and two of them are seen to at once.

State is laid out flat, one line per quantity; an index like `rs` is row·steps + step. `finish`
alone is slot-major, because the next instant is a minimum over slots: over the earliest of each
block of slots, `earliest`, as a step without limit has hundreds of them.
"""

import numpy as np
from numpy.typing import NDArray

from app.leadtimes.floor.arrays import DONE, NO_LIMIT, FloorArrays
from app.leadtimes.floor.bits import bit_at, first_true, index_of, lowest
from app.leadtimes.floor.draws import GOLDEN, LOW_24, PER_24, PER_40, S24, mix

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]

BLOCK = 8
FULL = np.uint64(0xFFFFFFFFFFFFFFFF)
NEVER = 1 << 60  # behind every place in line
TURN, FEW = 50, 30  # bits below the turn, and below how many people do the step


class Lockstep:
    """The state of R replications of a plan. `run` fills `ready`, `wait`, `begun`, `busy`, `queued`
    and `at_work` (see outcome.Outcome).
    """

    def __init__(self, plan: FloorArrays, keys: Words, door_hour: Floats, door_piece: Ints) -> None:
        self.plan, self.keys = plan, keys
        self.rows, self.door_size = door_hour.shape
        self.steps, self.pieces = plan.offset.size, plan.start.size
        blocks = -(-plan.slot_step.size // BLOCK)
        slots = blocks * BLOCK
        self.table, self.pad = plan.table.ravel(), plan.table.shape[1]
        self.piece_key = plan.key.ravel()
        self.limited = np.where(plan.places == NO_LIMIT, 0, 1)
        self.any_unlimited = bool(np.any(plan.places == NO_LIMIT))
        self.any_in_hand = bool(np.any(plan.counts == 0))
        self.sends = plan.send_below[:, -1] > 0 if plan.send_to.shape[1] else None
        self.horizon = plan.horizon
        self.door_hour, self.door_piece = door_hour.ravel(), door_piece.ravel()
        self.came = np.zeros(self.rows, dtype=np.int64)
        self.finish = np.full(slots * self.rows, np.inf)
        self.holder = np.zeros(slots * self.rows, dtype=np.int64)
        self.finish[: self.rows], self.holder[: self.rows] = door_hour[:, 0], door_piece[:, 0]
        self.earliest = np.full((blocks, self.rows), np.inf)
        self.earliest[0] = door_hour[:, 0]
        self.earliest_flat = self.earliest.ravel()
        self.clock = np.zeros(self.rows)
        self.ready = np.full(self.rows * self.pieces, np.inf)
        self.since = np.tile(plan.since, self.rows)
        self.goes_to = np.tile(plan.start.astype(np.int8), self.rows)
        self.rounds = np.zeros(self.rows * self.pieces, dtype=np.uint8)
        self.follows = np.full(self.rows * self.pieces if plan.linked else 0, -1, dtype=np.int16)
        self.wait, self.begun, self.busy, self.queued = np.zeros((4, self.rows * self.steps))
        self.crews = plan.people.size
        self.at_work = np.zeros(self.rows * self.crews)
        self.next_step = self._ways().ravel()
        self.place_of = np.stack([plan.plain, plan.back], axis=1).ravel()
        free = np.where(plan.places == NO_LIMIT, FULL, bit_at(plan.places % 64) - np.uint64(1))
        self.free = np.tile(free, self.rows)
        self._fill_queues()
        if plan.crewed:
            self._call_people()

    def _ways(self) -> Ints:
        """P × S: the step after each, unless the piece is sent back."""
        step = np.arange(self.steps)
        return np.where(step < self.plan.last[:, None], step + 1, DONE)

    def _call_people(self) -> None:
        """State that only floors with crews have; `head` and `room` are step by step."""
        self.idle = np.tile(self.plan.people, self.rows)
        self.present = np.full(self.rows, (1 << self.crews) - 1)
        self.crew_at = np.zeros(self.holder.size, dtype=np.int64)
        self.room = np.full(self.rows, FULL)  # steps with a free place
        self.step_bits = bit_at(np.arange(self.steps))[:, None]
        # The best of each step: its turn, how many people do the step, its position and the step.
        self.head = np.full((self.steps, self.rows), NEVER)
        self.turn = self.plan.turn << TURN | np.arange(self.plan.turn.size) << 6
        self.few = self.plan.hands << FEW | np.arange(self.steps)
        self.head_flat = self.head.ravel()
        every = np.arange(self.rows)
        for step in range(self.steps):
            self._look_ahead(every, np.full(self.rows, step), every * self.steps + step)

    def _fill_queues(self) -> None:
        plan = self.plan
        queue = np.zeros((self.steps, plan.words), dtype=np.uint64)
        for piece in np.flatnonzero(plan.begins >= 0):
            at = plan.begins[piece]
            queue[plan.start[piece], at // 64] |= bit_at(at % 64)
        ahead = ((queue != 0) * bit_at(np.arange(plan.words))).sum(axis=1, dtype=np.uint64)
        dirty = ((ahead != 0) * bit_at(np.arange(self.steps))).sum(dtype=np.uint64)
        self.queue = np.tile(queue.ravel(), self.rows)
        self.summary = np.tile(ahead, self.rows)  # which words of a queue hold anybody
        self.dirty = np.full(self.rows, dirty, dtype=np.uint64)  # steps where work may be taken up

    def run(self) -> None:
        """Until nobody is on any floor."""
        every = np.arange(self.rows)
        lanes = np.arange(BLOCK)[:, None] * self.rows
        take_up = self._take_up_by_order if self.plan.crewed else self._take_up
        take_up(every)
        while True:
            instant = self.earliest.min(axis=0)
            rows = np.flatnonzero(instant < np.inf)
            if not rows.size:
                return
            block = first_true(self.earliest == instant)[rows]
            instant = instant[rows]
            ends = self.finish[lanes + (block * (BLOCK * self.rows) + rows)]
            lane = first_true(ends == instant)
            slot = block * BLOCK + lane
            self.clock[rows] = instant
            self._leave(rows, slot, instant)
            ends[lane, every[: rows.size]] = self.finish[slot * self.rows + rows]
            self.earliest_flat[block * self.rows + rows] = ends.min(axis=0)
            take_up(rows[self.earliest.min(axis=0)[rows] > instant])

    def filled(self) -> tuple[Floats, ...]:
        """The six, one row a replication."""
        filled = self.ready, self.wait, self.begun, self.busy, self.queued, self.at_work
        return tuple(one.reshape(self.rows, -1) for one in filled)

    def _leave(self, r: Ints, slot: Ints, t: Floats) -> None:
        """One piece of each row leaves its slot (or the door) for where it goes."""
        at = slot * self.rows + r
        p = self.holder[at]
        rp = r * self.pieces + p
        if self.door_size > 1:
            door = slot == 0
            self._open_door(r[door])
            self._vacate(r[~door], slot[~door], at[~door], rp[~door])
        else:
            self._vacate(r, slot, at, rp)
        to = self.goes_to[rp].astype(np.int64)
        done = to == DONE
        if done.any():
            on = ~done
            self.ready[rp[done]] = t[done]
            if self.plan.forked:
                self._release(r[done], p[done], t[done])
            r, p, to, t = r[on], p[on], to[on], t[on]
        self._enqueue(r, p, to, t)

    def _open_door(self, r: Ints) -> None:
        self.came[r] += 1
        at = r * self.door_size + self.came[r]
        self.finish[r], self.holder[r] = self.door_hour[at], self.door_piece[at]

    def _vacate(self, r: Ints, slot: Ints, at: Ints, rp: Ints) -> None:
        """Free the slot, unless more of the same batch are to leave it at this instant."""
        if self.plan.linked:
            behind = self.follows[rp]
            more = behind >= 0
            if more.any():
                self.holder[at[more]] = behind[more]
                r, slot, at = r[~more], slot[~more], at[~more]
        step = self.plan.slot_step[slot]
        bit = bit_at(step)
        self.finish[at] = np.inf
        self.free[r * self.steps + step] |= bit_at((slot - self.plan.offset[step]) & 63)
        self.dirty[r] |= bit
        if self.plan.crewed:
            crew = self.crew_at[at]
            self.room[r] |= bit
            self.idle[r * self.crews + crew] += 1
            self.present[r] |= 1 << crew
            self.dirty[r] |= self.plan.does[crew]

    def _release(self, r: Ints, p: Ints, t: Floats) -> None:
        """Pieces that waited for these to be ready begin."""
        for child in self.plan.child[p].T:
            there = child >= 0
            born = child[there]
            self._enqueue(r[there], born, self.plan.start[born], t[there])

    def _enqueue(self, r: Ints, p: Ints, step: Ints, t: Floats) -> None:
        rp, rs = r * self.pieces + p, r * self.steps + step
        at = self.place_of[2 * p + (self.rounds[rp] > 0)]
        word = at >> 6
        self.queue[rs * self.plan.words + word] |= bit_at(at & 63)
        self.summary[rs] |= bit_at(word)
        self.since[rp] = t
        self.dirty[r] |= bit_at(step)
        if self.plan.crewed:
            here = step * self.rows + r
            self.head_flat[here] = np.minimum(self.head_flat[here], self.turn[at] | self.few[step])

    def _take_up(self, r: Ints) -> None:
        """Whoever is free takes up work, two steps of each row at a time, until none can."""
        while True:
            dirty = self.dirty[r]
            some = dirty != 0
            if not some.all():
                r, dirty = r[some], dirty[some]
            if not r.size:
                return
            one = lowest(dirty)
            rest = dirty ^ one
            other = lowest(rest)
            self.dirty[r] = rest ^ other
            two = np.flatnonzero(other)
            row, bit = np.concatenate((r, r[two])), np.concatenate((one, other[two]))
            step = index_of(bit)
            rs = row * self.steps + step
            waiting, free = self.summary[rs], self.free[rs]
            can = np.flatnonzero((waiting != 0) & (free != 0))
            if can.size:
                self._begin(row[can], step[can], rs[can], waiting[can], free[can])

    def _take_up_by_order(self, r: Ints) -> None:
        """Whoever is free takes up the first in line of all that can be begun."""
        while r.size:
            can = self.plan.by_present[self.present[r]] & self.room[r]
            heads = np.where(can & self.step_bits, self.head[:, r], NEVER).min(axis=0)
            some = heads < NEVER
            self.dirty[r[~some]] = 0
            r, step = r[some], heads[some] & 63
            rs = r * self.steps + step
            if r.size:
                self._begin(r, step, rs, self.summary[rs], self.free[rs])

    def _pop(self, r: Ints, step: Ints, rs: Ints, waiting: Words) -> Ints:
        """The best position of each queue, taken out of it."""
        low = lowest(waiting)
        word = index_of(low)
        at = rs * self.plan.words + word
        queue = self.queue[at]
        bit = lowest(queue)
        left = queue ^ bit
        self.queue[at] = left
        self.summary[rs] = np.where(left == 0, waiting ^ low, waiting)
        if self.plan.crewed:
            self._look_ahead(r, step, rs)
        return word * 64 + index_of(bit)

    def _look_ahead(self, r: Ints, step: Ints, rs: Ints) -> None:
        """Note who is the best of each queue now, with the step in the lowest six bits."""
        waiting = self.summary[rs]
        word = np.minimum(index_of(lowest(waiting)), self.plan.words - 1)
        position = word * 64 + index_of(lowest(self.queue[rs * self.plan.words + word]))
        best = self.turn[np.minimum(position, self.turn.size - 1)] | self.few[step]
        self.head_flat[step * self.rows + r] = np.where(waiting, best, NEVER)

    def _begin(self, r: Ints, step: Ints, rs: Ints, waiting: Words, free: Words) -> None:
        """The best of each queue is taken up, with others where the step works in batches."""
        plan = self.plan
        position = self._pop(r, step, rs, waiting)
        p = plan.piece_at[position]
        t = self.clock[r]
        hashed = self._settle(r, step, rs, p, position, t)
        first = plan.hours.worked(plan.hours_row[step], t)
        work = self._work(step, position, hashed)
        if plan.crewed:
            crew = index_of(lowest(plan.done_by[step] & self.present[r].astype(np.uint64)))
            work *= plan.slower[crew]
        until = first + work
        bit = lowest(free)
        place, left = index_of(bit), free ^ bit
        if self.any_unlimited:
            limited = self.limited[step] == 1
            place, left = np.where(limited, place, p), np.where(limited, left, free)
        self.free[rs] = left
        at = (plan.offset[step] + place) * self.rows + r
        end = np.maximum(plan.hours.clock_at(plan.hours_row[step], until), t)
        self.finish[at], self.holder[at] = end, p
        # Two steps of a row may share a block, hence `at`: each of them counts.
        np.minimum.at(self.earliest_flat, at // (BLOCK * self.rows) * self.rows + r, end)
        within = self._count_work(step, rs, first, until)
        if plan.crewed:
            self._engage(r, step, crew, at, left, within)
        if plan.linked:
            self._fill_batch(r, step, rs, p, position, t)
        more = np.flatnonzero((self.summary[rs] != 0) & (left != 0))
        np.bitwise_or.at(self.dirty, r[more], bit_at(step[more]))

    def _work(self, step: Ints, position: Ints, hashed: Words) -> Floats:
        """Hours of work of each stay, drawn from its step's table or from the piece's own."""
        plan = self.plan
        u = (hashed >> S24) * PER_40
        if self.any_in_hand:
            u = plan.done_share[position] + u * plan.rest_share[position]
        x = u * (self.pad - 1)
        cell = np.minimum(x.astype(np.int64), self.pad - 2)
        row = step
        if self.any_in_hand:
            own = plan.own_table[position]
            row = np.where(own < 0, step, own)
        at = row * self.pad + cell
        below = self.table[at]
        work = below + (x - cell) * (self.table[at + 1] - below)
        if self.any_in_hand:
            work = np.maximum(work - plan.done_age[position], 0.0)
        return np.asarray(work)

    def _count_work(self, step: Ints, rs: Ints, first: Floats, until: Floats) -> Floats:
        """Hours of work of each stay within the horizon."""
        cut = self.plan.worked_horizon[step]
        within = np.minimum(until, cut) - np.minimum(first, cut)
        self.busy[rs] += within
        return np.asarray(within)

    def _engage(
        self, r: Ints, step: Ints, crew: Ints, at: Ints, left: Words, within: Floats
    ) -> None:
        """Somebody of a crew has it in hand."""
        self.crew_at[at] = crew
        rk = r * self.crews + crew
        self.at_work[rk] += within
        self.idle[rk] -= 1
        used_up = self.idle[rk] == 0
        self.present[r[used_up]] ^= 1 << crew[used_up]
        full = left == 0
        self.room[r[full]] ^= bit_at(step[full])

    def _fill_batch(
        self, r: Ints, step: Ints, rs: Ints, p: Ints, position: Ints, t: Floats
    ) -> None:
        """Link further pieces to the first of each batch, as many as wait and find room.

        A batch that was in hand at the start takes up nobody new.
        """
        self.follows[r * self.pieces + p] = -1
        size = self.plan.batch[step]
        begun = self.plan.counts[position]
        for n in range(1, int(size.max(initial=0))):
            waiting = self.summary[rs]
            room = (size > n) & (waiting != 0)
            nobody_new = room & (begun == 0)
            if nobody_new.any():
                room[nobody_new] = self._next_in_hand(rs[nobody_new], waiting[nobody_new])
            r, step, rs, p, t, size = r[room], step[room], rs[room], p[room], t[room], size[room]
            begun, waiting = begun[room], waiting[room]
            if not r.size:
                return
            position = self._pop(r, step, rs, waiting)
            fellow = self.plan.piece_at[position]
            self._settle(r, step, rs, fellow, position, t)
            self.follows[r * self.pieces + p] = fellow
            self.follows[r * self.pieces + fellow] = -1
            p = fellow

    def _next_in_hand(self, rs: Ints, waiting: Words) -> NDArray[np.bool_]:
        word = index_of(lowest(waiting))
        bit = index_of(lowest(self.queue[rs * self.plan.words + word]))
        return np.asarray(self.plan.counts[word * 64 + bit] == 0)

    def _settle(self, r: Ints, step: Ints, rs: Ints, p: Ints, position: Ints, t: Floats) -> Words:
        """What is known of a piece's stay as it begins: its draw, where it goes, how it waited."""
        plan, rp, ps = self.plan, r * self.pieces + p, p * self.steps + step
        rounds = self.rounds[rp]
        hashed = mix(self.keys[r] + self.piece_key[ps] + rounds * GOLDEN)
        to = self.next_step[ps]
        if self.sends is not None:
            some = np.flatnonzero(self.sends[step])
            coin = (hashed[some] & LOW_24) * PER_24
            below = plan.send_below[step[some]]
            back = (rounds[some] < plan.cap) & (coin < below[:, -1])
            some = some[back]
            to[some] = plan.send_to[step[some], (coin[back, None] >= below[back]).sum(axis=1)]
            self.rounds[rp[some]] += 1

        self.goes_to[rp] = to
        since = self.since[rp]
        within = since < self.horizon  # nothing is counted of a wait that begins beyond it
        if within.all():
            self._count_wait(rs, position, since, t)
        elif within.any():
            self._count_wait(rs[within], position[within], since[within], t[within])
        return hashed

    def _count_wait(self, rs: Ints, position: Ints, since: Floats, t: Floats) -> None:
        counted = self.plan.counts[position] * (t < self.horizon)
        self.wait[rs] += (t - since) * counted
        self.begun[rs] += counted
        from_, until = np.maximum(since, 0.0), np.minimum(t, self.horizon)
        self.queued[rs] += until - from_
