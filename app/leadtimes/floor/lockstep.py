"""All replications in lockstep: at each turn every replication comes to its own next instant.

The turn of one replication: something ends (or a newcomer enters); when nothing else happens at
that same instant, whoever is free takes up the best of its queue. So what happens together is seen
together, and the order of slots decides nothing. A step that is closed takes up work all the same
if a place is free; the work itself goes on only in its hours.

State is laid out flat, one line per quantity; an index like `rs` is row·steps + step. `finish`
alone is slot-major, because the next instant is a minimum over slots: over the earliest of each
block of slots, `earliest`, as a step without limit has hundreds of them.
"""

import numpy as np
from numpy.typing import NDArray

from app.leadtimes.floor.draws import GOLDEN, LOW_24, PER_24, PER_40, S24, mix
from app.leadtimes.floor.plan import DONE, NO_LIMIT, Plan

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]

BLOCK = 8
ONE = np.uint64(1)
FULL = np.uint64(0xFFFFFFFFFFFFFFFF)


def lowest(x: Words) -> Words:
    """The lowest set bit of each word (0 for none)."""
    return x & (~x + ONE)


def index_of(bit: Words) -> Ints:
    """The index of the only set bit of each word."""
    return np.asarray(np.bitwise_count(bit - ONE), dtype=np.int64)


def bit_at(index: Ints) -> Words:
    """A word with one bit set."""
    return ONE << index.astype(np.uint64)


class Lockstep:
    """The state of R replications of a plan. `run` fills `ready`, `wait`, `begun`, `busy`, `queued`
    (see outcome.Outcome).
    """

    def __init__(self, plan: Plan, keys: Words, door_hour: Floats, door_piece: Ints) -> None:
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
        free = np.where(plan.places == NO_LIMIT, FULL, bit_at(plan.places % 64) - ONE)
        self.free = np.tile(free, self.rows)
        self._fill_queues()

    def _fill_queues(self) -> None:
        plan = self.plan
        queue = np.zeros((self.steps, plan.words), dtype=np.uint64)
        for piece in np.flatnonzero(plan.begins >= 0):
            at = plan.begins[piece]
            queue[plan.start[piece], at // 64] |= ONE << np.uint64(at % 64)
        ahead = ((queue != 0) * bit_at(np.arange(plan.words))).sum(axis=1, dtype=np.uint64)
        dirty = ((ahead != 0) * bit_at(np.arange(self.steps))).sum(dtype=np.uint64)
        self.queue = np.tile(queue.ravel(), self.rows)
        self.summary = np.tile(ahead, self.rows)  # which words of a queue hold anybody
        self.dirty = np.full(self.rows, dirty, dtype=np.uint64)  # steps where work may be taken up

    def run(self) -> None:
        """Until nobody is on any floor."""
        every = np.arange(self.rows)
        lanes = np.arange(BLOCK)[:, None] * self.rows
        self._take_up(every)
        while True:
            instant = self.earliest.min(axis=0)
            rows = np.flatnonzero(instant < np.inf)
            if not rows.size:
                return
            block = (self.earliest == instant).argmax(axis=0)[rows]
            instant = instant[rows]
            ends = self.finish[lanes + (block * (BLOCK * self.rows) + rows)]
            lane = (ends == instant).argmax(axis=0)
            slot = block * BLOCK + lane
            self.clock[rows] = instant
            self._leave(rows, slot, instant)
            ends[lane, every[: rows.size]] = self.finish[slot * self.rows + rows]
            self.earliest_flat[block * self.rows + rows] = ends.min(axis=0)
            self._take_up(rows[self.earliest.min(axis=0)[rows] > instant])

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
        self.finish[at] = np.inf
        self.free[r * self.steps + step] |= bit_at((slot - self.plan.offset[step]) & 63)
        self.dirty[r] |= bit_at(step)

    def _release(self, r: Ints, p: Ints, t: Floats) -> None:
        """Pieces that waited for these to be ready begin."""
        for child in self.plan.child[p].T:
            there = child >= 0
            born = child[there]
            self._enqueue(r[there], born, self.plan.start[born], t[there])

    def _enqueue(self, r: Ints, p: Ints, step: Ints, t: Floats) -> None:
        rp, rs = r * self.pieces + p, r * self.steps + step
        at = np.where(self.rounds[rp] > 0, self.plan.back[p], self.plan.plain[p])
        word = at >> 6
        self.queue[rs * self.plan.words + word] |= bit_at(at & 63)
        self.summary[rs] |= bit_at(word)
        self.since[rp] = t
        self.dirty[r] |= bit_at(step)

    def _take_up(self, r: Ints) -> None:
        """Whoever is free takes up work, lowest step first, until no step of any row can."""
        while True:
            dirty = self.dirty[r]
            some = dirty != 0
            if not some.all():
                r, dirty = r[some], dirty[some]
            if not r.size:
                return
            low = lowest(dirty)
            step = index_of(low)
            rs = r * self.steps + step
            waiting, free = self.summary[rs], self.free[rs]
            can = (waiting != 0) & (free != 0)
            self.dirty[r] = dirty ^ low
            if can.all():
                self._begin(r, step, rs, waiting, free)
            elif can.any():
                self._begin(r[can], step[can], rs[can], waiting[can], free[can])

    def _pop(self, rs: Ints, waiting: Words) -> Ints:
        """The best position of each queue, taken out of it."""
        low = lowest(waiting)
        word = index_of(low)
        at = rs * self.plan.words + word
        queue = self.queue[at]
        bit = lowest(queue)
        left = queue ^ bit
        self.queue[at] = left
        self.summary[rs] = np.where(left == 0, waiting ^ low, waiting)
        return word * 64 + index_of(bit)

    def _begin(self, r: Ints, step: Ints, rs: Ints, waiting: Words, free: Words) -> None:
        """The best of each queue is taken up, with others where the step works in batches."""
        plan = self.plan
        position = self._pop(rs, waiting)
        p = plan.piece_at[position]
        t = self.clock[r]
        hashed = self._settle(r, step, rs, p, position, t)
        u = (hashed >> S24) * PER_40
        if self.any_in_hand:
            u = plan.done_share[position] + u * plan.rest_share[position]
        x = u * (self.pad - 1)
        cell = np.minimum(x.astype(np.int64), self.pad - 2)
        at = step * self.pad + cell
        below = self.table[at]
        work = below + (x - cell) * (self.table[at + 1] - below)
        if self.any_in_hand:
            work = np.maximum(work - plan.done_age[position], 0.0)

        first = self._worked(step, t)
        until = first + work
        cut = plan.worked_horizon[step]
        self.busy[rs] += np.minimum(until, cut) - np.minimum(first, cut)
        bit = lowest(free)
        place, left = index_of(bit), free ^ bit
        if self.any_unlimited:
            limited = self.limited[step] == 1
            place, left = np.where(limited, place, p), np.where(limited, left, free)
        self.free[rs] = left
        slot = plan.offset[step] + place
        end = np.maximum(self._clock_at(step, until), t)
        self.finish[slot * self.rows + r], self.holder[slot * self.rows + r] = end, p
        block = slot // BLOCK * self.rows + r
        self.earliest_flat[block] = np.minimum(self.earliest_flat[block], end)
        if plan.linked:
            self._fill_batch(r, step, rs, p, position, t)
        more = (self.summary[rs] != 0) & (left != 0)
        self.dirty[r[more]] |= bit_at(step[more])

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
            position = self._pop(rs, waiting)
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
        plan, rp = self.plan, r * self.pieces + p
        rounds = self.rounds[rp]
        hashed = mix(self.keys[r] + self.piece_key[p * self.steps + step] + rounds * GOLDEN)
        to = np.where(step < plan.last[p], step + 1, DONE)
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
        counted = plan.counts[position] * (t < self.horizon)
        self.wait[rs] += (t - since) * counted
        self.begun[rs] += counted
        from_, until = np.maximum(since, 0.0), np.minimum(t, self.horizon)
        self.queued[rs] += until - np.minimum(from_, self.horizon)

        return hashed

    def _worked(self, step: Ints, t: Floats) -> Floats:
        """Hours of work open in [0, t) at the step."""
        plan = self.plan
        cell = np.minimum((t * plan.per_clock).astype(np.int64), plan.clock_cells - 1)
        i = plan.by_clock[plan.clock_row[step] + cell]
        i = i + (plan.opens[i + 1] <= t)
        return plan.before[i] + np.minimum(t - plan.opens[i], plan.length[i])

    def _clock_at(self, step: Ints, work: Floats) -> Floats:
        """The hour at which so much work is done: at closing time, not at the next opening."""
        plan = self.plan
        cell = np.minimum((work * plan.per_work).astype(np.int64), plan.work_cells - 1)
        i = plan.by_work[plan.work_row[step] + cell]
        i = i + (plan.before[i + 1] < work)
        return plan.opens[i] + (work - plan.before[i])
