"""The same floor, one replication after the other, compiled by numba where it is installed.

Reads as lockstep.py does, line for line, so that both give the same numbers to the bit: the same
sums in the same order. Without numba this file still runs, as plain (slow) Python.
Only loaded when asked for: importing numba takes about a second.
"""

from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.leadtimes.floor.draws import (
    GOLDEN,
    LOW_24,
    MIX_1,
    MIX_2,
    PER_24,
    PER_40,
    S24,
    S27,
    S30,
    S31,
)  # fmt: skip
from app.leadtimes.floor.lockstep import BLOCK
from app.leadtimes.floor.plan import DONE, NO_LIMIT, Plan

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]

COMPILED = find_spec("numba") is not None


def _plain(function: Any) -> Any:
    return function


def _compiler() -> Callable[[Any], Any]:
    """numba's njit, kept on disk where a folder can be written, or nothing at all."""
    if not COMPILED:
        return _plain
    numba = import_module("numba")

    def compile_(function: Any) -> Any:
        try:
            return numba.njit(cache=True, nogil=True)(function)
        except RuntimeError:  # no folder for the cache: compile again in each process
            return numba.njit(nogil=True)(function)

    return compile_


jit = _compiler()

ZERO, ONE, SIX, LOW_6 = np.uint64(0), np.uint64(1), np.uint64(6), np.uint64(63)
TWO, FOUR, S56 = np.uint64(2), np.uint64(4), np.uint64(56)
FULL = np.uint64(0xFFFFFFFFFFFFFFFF)
NEVER = 1 << 40  # a position behind all others
M1, M2 = np.uint64(0x5555555555555555), np.uint64(0x3333333333333333)
M4, H01 = np.uint64(0x0F0F0F0F0F0F0F0F), np.uint64(0x0101010101010101)


@jit
def lowest(x: Any) -> Any:
    """Index of the lowest set bit of a word that is not 0: the ones below it, counted in parallel
    (Warren, Hacker's Delight, 5-1).
    """
    y = (x & (~x + ONE)) - ONE
    y = y - ((y >> ONE) & M1)
    y = (y & M2) + ((y >> TWO) & M2)
    y = (y + (y >> FOUR)) & M4
    return np.int64((y * H01) >> S56)


@jit
def bit_at(i: Any) -> Any:
    """A word with one bit set."""
    return ONE << np.uint64(i)


@jit
def worked(plan: Any, step: Any, t: Any) -> Any:
    """Hours of work open in [0, t) at the step."""
    cell = min(np.int64(t * plan.per_clock), plan.clock_cells - 1)
    i = plan.by_clock[plan.clock_row[step] + cell]
    if plan.opens[i + 1] <= t:
        i += 1
    return plan.before[i] + min(t - plan.opens[i], plan.length[i])


@jit
def clock_at(plan: Any, step: Any, work: Any) -> Any:
    """The hour at which so much work is done."""
    cell = min(np.int64(work * plan.per_work), plan.work_cells - 1)
    i = plan.by_work[plan.work_row[step] + cell]
    if plan.before[i + 1] < work:
        i += 1
    return plan.opens[i] + (work - plan.before[i])


# Not split up further: its state is some fifteen local arrays, and a call per event that carries
# them all is what a compiler is worst at.
@jit
def run_rows(
    plan: Plan, keys: Words, door_hour: Floats, door_piece: Ints,
    ready: Floats, wait: Floats, begun: Floats, busy: Floats, queued: Floats, at_work: Floats,
) -> None:  # fmt: skip
    """Run each replication to its end, writing into the last six (R × P, R × S, R × crews)."""
    steps, pieces, slots, words = plan.offset.size, plan.start.size, plan.slot_step.size, plan.words
    causes, cells = plan.send_to.shape[1], plan.table.shape[1] - 1
    finish, holder = np.empty(slots), np.empty(slots, np.int64)
    idle, crew_at = np.empty(plan.people.size, np.int64), np.empty(slots, np.int64)
    blocks = (slots + BLOCK - 1) // BLOCK
    earliest, stale = np.empty(blocks), np.empty(blocks, np.bool_)
    queue = np.empty((steps, words), np.uint64)
    summary, free = np.empty(steps, np.uint64), np.empty(steps, np.uint64)
    since, goes_to = np.empty(pieces), np.empty(pieces, np.int64)
    rounds, follows = np.empty(pieces, np.int64), np.empty(pieces, np.int64)
    for r in range(keys.size):
        finish[:] = np.inf
        stale[:] = True
        queue[:] = ZERO
        summary[:] = ZERO
        rounds[:] = 0
        follows[:] = -1
        since[:] = plan.since
        goes_to[:] = plan.start
        ready[r, :] = np.inf
        idle[:] = plan.people
        present = bit_at(plan.people.size) - ONE
        dirty = ZERO
        for s in range(steps):
            free[s] = FULL if plan.places[s] == NO_LIMIT else bit_at(plan.places[s]) - ONE
        for p in range(pieces):
            at = plan.begins[p]
            if at >= 0:
                s = plan.start[p]
                queue[s, at >> 6] |= bit_at(at & 63)
                summary[s] |= bit_at(at >> 6)
                dirty |= bit_at(s)
        came, t = 0, 0.0
        finish[0], holder[0] = door_hour[r, 0], door_piece[r, 0]
        while True:
            # Whoever is free takes up work: the first in the order of work where steps share
            # people, else the lowest step first.
            while dirty != ZERO:
                s, best, looking = -1, NEVER, dirty
                while looking != ZERO:
                    n = lowest(looking)
                    looking &= looking - ONE
                    if summary[n] == ZERO or free[n] == ZERO or plan.done_by[n] & present == ZERO:
                        dirty ^= bit_at(n)
                        continue
                    if not plan.crewed:
                        s = n
                        break
                    word = lowest(summary[n])
                    position = word * 64 + lowest(queue[n, word])
                    if position < best:
                        s, best = n, position
                if s < 0:
                    break
                room, head, behind, in_hand = plan.batch[s], -1, -1, False
                until, within, crew = 0.0, 0.0, 0
                if plan.crewed:
                    crew = lowest(plan.done_by[s] & present)
                while room > 0 and summary[s] != ZERO:
                    word = lowest(summary[s])
                    low = lowest(queue[s, word])
                    position = word * 64 + low
                    if head >= 0 and in_hand and plan.counts[position] == 1:
                        break
                    queue[s, word] ^= bit_at(low)
                    if queue[s, word] == ZERO:
                        summary[s] ^= bit_at(word)
                    p = plan.piece_at[position]
                    # splitmix64's finishing step, as in draws.mix
                    x = keys[r] + plan.key[p, s] + np.uint64(rounds[p]) * GOLDEN
                    x = (x ^ (x >> S30)) * MIX_1
                    x = (x ^ (x >> S27)) * MIX_2
                    x = x ^ (x >> S31)
                    to = s + 1 if s < plan.last[p] else DONE
                    if causes > 0:
                        coin = np.float64(x & LOW_24) * PER_24
                        if rounds[p] < plan.cap and coin < plan.send_below[s, causes - 1]:
                            which = 0
                            while coin >= plan.send_below[s, which]:
                                which += 1
                            to = plan.send_to[s, which]
                            rounds[p] += 1
                    goes_to[p] = to
                    counted = plan.counts[position] if t < plan.horizon else 0
                    wait[r, s] += (t - since[p]) * counted
                    begun[r, s] += counted
                    queued[r, s] += min(t, plan.horizon) - min(max(since[p], 0.0), plan.horizon)
                    follows[p] = -1
                    if head < 0:
                        head, in_hand = p, plan.counts[position] == 0
                        u = np.float64(x >> S24) * PER_40 * plan.rest_share[position]
                        z = (plan.done_share[position] + u) * cells
                        cell = min(np.int64(z), cells - 1)
                        below = plan.table[s, cell]
                        work = below + (z - cell) * (plan.table[s, cell + 1] - below)
                        work = max(work - plan.done_age[position], 0.0)
                        if plan.crewed:
                            work *= plan.slower[crew]
                        first = worked(plan, s, t)
                        until = first + work
                        cut = plan.worked_horizon[s]
                        within = min(until, cut) - min(first, cut)
                        busy[r, s] += within
                    else:
                        follows[behind] = p
                    behind = p
                    room -= 1
                if plan.places[s] == NO_LIMIT:
                    slot = plan.offset[s] + head
                else:
                    slot = plan.offset[s] + lowest(free[s])
                    free[s] &= free[s] - ONE
                if plan.crewed:
                    crew_at[slot] = crew
                    at_work[r, crew] += within
                    idle[crew] -= 1
                    if idle[crew] == 0:
                        present ^= bit_at(crew)
                finish[slot] = max(clock_at(plan, s, until), t)
                stale[slot // BLOCK] = True
                holder[slot] = head
            # The next instant, and everything that happens at it.
            t = np.inf
            for b in range(blocks):
                if stale[b]:
                    stale[b] = False
                    earliest[b] = np.inf
                    for slot in range(b * BLOCK, min((b + 1) * BLOCK, slots)):
                        earliest[b] = min(earliest[b], finish[slot])
                t = min(t, earliest[b])
            if t == np.inf:
                break
            for slot in range(slots):
                if earliest[slot // BLOCK] != t:
                    continue
                stale[slot // BLOCK] = True
                while finish[slot] == t:
                    p = holder[slot]
                    if slot == 0:
                        came += 1
                        finish[0], holder[0] = door_hour[r, came], door_piece[r, came]
                    elif follows[p] >= 0:
                        holder[slot] = follows[p]
                    else:
                        s = plan.slot_step[slot]
                        finish[slot] = np.inf
                        free[s] |= bit_at((slot - plan.offset[s]) & 63)
                        dirty |= bit_at(s)
                        if plan.crewed:
                            idle[crew_at[slot]] += 1
                            present |= bit_at(crew_at[slot])
                            dirty |= plan.does[crew_at[slot]]
                    last = plan.child.shape[1] if goes_to[p] == DONE else 1
                    if goes_to[p] == DONE:
                        ready[r, p] = t
                    for n in range(last):
                        q, s = p, goes_to[p]
                        if s == DONE:
                            q = plan.child[p, n]
                            if q < 0:
                                break
                            s = plan.start[q]
                        at = plan.back[q] if rounds[q] > 0 else plan.plain[q]
                        queue[s, at >> 6] |= bit_at(at & 63)
                        summary[s] |= bit_at(at >> 6)
                        since[q] = t
                        dirty |= bit_at(s)
