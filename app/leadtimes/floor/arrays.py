"""A floor laid out as arrays: what the simulation reads and never writes."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.leadtimes.floor import draws
from app.leadtimes.floor.hours import HourTables, tables
from app.leadtimes.floor.model import Crew, Floor, FloorPiece, FloorStep
from app.leadtimes.floor.newcomers import Newcomers, everyone

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]

MOST_STEPS = 60
MOST_PLACES = 62
MOST_POSITIONS = 64 * 64
MOST_CREWS = 12
NO_LIMIT = -1
DONE = -1


class FloorArrays(NamedTuple):
    """One floor, S steps, P pieces (newcomers last), as arrays.

    **Positions.** Who is next in a queue is the lowest set bit of the queue's row of 64-bit words.
    A piece has up to three positions, best first: in hand now, sent back, and its plain place in
    the order of work. What depends on a piece's first stay (age, share of stays shorter than it)
    stands by position too, so that the draw needs no case distinction.

    **Slots.** Slot 0 is the door (the next newcomer); then each step's places side by side. The
    steps without limit share a slot for each piece, since a piece is at one step at a time.

    **Crews.** Those that do the fewest steps first, so that the lowest set bit of a word of crews
    is who is taken. The last one is nobody: it does what no crew does and is never used up.
    """

    # by step
    offset: Ints  # first slot
    places: Ints  # NO_LIMIT for a step without
    batch: Ints
    table: Floats  # S × (points + 1), hours of work; then the tables of pieces of their own
    hours_row: Ints  # the row of the step in `hours`
    worked_horizon: Floats  # hours of work open within the horizon
    send_below: Floats  # S × causes, cumulative shares
    send_to: Ints  # S × causes
    done_by: Words  # the crews that do the step
    hands: Ints  # how many people do it, 0 where no crew does
    # by slot
    slot_step: Ints
    # by crew
    people: Ints
    slower: Floats  # by how much longer it takes than somebody who is there all the time
    does: Words  # the steps that the crew does
    by_present: Words  # by word of crews with somebody free: the steps that can be done
    # by piece
    start: Ints
    last: Ints
    plain: Ints  # position when not sent back
    back: Ints  # position when sent back
    key: Words  # P × S
    child: Ints  # P × most children, -1 where none
    begins: Ints  # position at time 0, -1 for a piece that comes later
    since: Floats  # clock hour at which it began to wait, ≤ 0
    # by position
    piece_at: Ints
    turn: Ints  # 0 in hand, 1 sent back, 2 else
    done_share: Floats
    rest_share: Floats
    done_age: Floats
    own_table: Ints  # the row of a piece's own table, -1 where its step's counts
    counts: Ints  # 0 where the stay was in hand at the start: it had no waiting to count
    # the rest
    hours: HourTables
    words: int
    cap: int
    horizon: float
    linked: bool  # whether a step has batches
    forked: bool  # whether a piece has children
    crewed: bool  # whether there are crews


def _check(floor: Floor) -> None:
    names = [s.name for s in floor.steps]
    if not 1 <= len(names) <= MOST_STEPS or len(set(names)) != len(names):
        raise ValueError(f"A floor has 1 to {MOST_STEPS} steps, each with a name of its own.")
    for i, step in enumerate(floor.steps):
        limit = step.places
        if limit is not None and limit < 1:
            raise ValueError(
                f"{step.name}: at least one person and one machine, or the work stops."
            )
        if step.batch < 1 or (step.batch > 1 and _limit(floor, step) is None):
            raise ValueError(f"{step.name}: a batch is one piece or more, on a counted machine.")
        shares = [r.share for r in step.rework]
        if any(s < 0 for s in shares) or sum(shares) > 1:
            raise ValueError(f"{step.name}: shares sent back lie between 0 and 1 in all.")
        if any(floor.index(r.to) > i for r in step.rework):
            raise ValueError(f"{step.name}: pieces are sent back to this step or an earlier one.")
        table = step.durations
        if table.ndim != 1 or table.size < 2 or np.any(np.diff(table) < 0) or table[0] < 0:
            raise ValueError(
                f"{step.name}: durations are a rising table of quantiles, not negative."
            )
    if len({s.durations.size for s in floor.steps}) > 1:
        raise ValueError("The steps' quantile tables are of one size.")
    if len({p.key for p in floor.pieces}) != len(floor.pieces):
        raise ValueError("Each piece has a key of its own.")
    if floor.rework_cap < 0 or not floor.horizon_h > 0:
        raise ValueError("The cap on rework is 0 or more and the horizon longer than nothing.")
    _check_crews(floor)
    known = {p.key for p in floor.pieces}
    if any(key not in known for group in floor.together for key in group):
        raise ValueError("Only pieces that are on the floor leave it together.")
    for p in floor.pieces:
        first, last = floor.index(p.step), _last(floor, p.last)
        if p.left is not None and (not p.in_hand or p.left.shape != floor.steps[0].durations.shape):
            raise ValueError(f"{p.key}: what is left is a table like its step’s, of one in hand.")
        if first > last or min(p.age_h, p.waited_h) < 0 or (p.enters_h or 0.0) < 0:
            raise ValueError(
                f"{p.key}: its last step comes before its first, or a time is negative."
            )
        if p.after == p.key or (p.in_hand and (p.after or p.enters_h is not None)):
            raise ValueError(f"{p.key}: a piece in hand waits for no other piece and has entered.")


def _check_crews(floor: Floor) -> None:
    if len(floor.crews) > MOST_CREWS or len({c.name for c in floor.crews}) < len(floor.crews):
        raise ValueError(f"A floor has {MOST_CREWS} crews at most, each with a name of its own.")
    for crew in floor.crews:
        if crew.people < 1 or not crew.steps or len(set(crew.steps)) < len(crew.steps):
            raise ValueError(f"{crew.name}: one person at least, one step or more, each once.")
        if not 0 < crew.there <= 1:
            raise ValueError(f"{crew.name}: there for some part of the time, at most all of it.")
        for step in crew.steps:
            floor.index(step)


def _last(floor: Floor, name: str | None) -> int:
    return len(floor.steps) - 1 if name is None else floor.index(name)


def _positions(floor: Floor, pieces: tuple[FloorPiece, ...]) -> tuple[Ints, Ints, Ints, Ints]:
    """Positions in hand, sent back and plain of each piece, and the piece at each position."""
    count = len(pieces)
    order = sorted(range(count), key=lambda i: (pieces[i].priority, pieces[i].oldest, i))
    rank = np.empty(count, dtype=np.int64)
    rank[order] = np.arange(count)
    in_hand = [i for i in order if pieces[i].in_hand]
    hand = np.full(count, -1, dtype=np.int64)
    hand[in_hand] = np.arange(len(in_hand))
    apart = floor.rework_first and any(s.rework for s in floor.steps)
    back = rank + len(in_hand)
    plain = back + count if apart else back
    at = np.array(in_hand + order * (2 if apart else 1), dtype=np.int64)
    if at.size > MOST_POSITIONS:
        raise ValueError(
            f"{count} pieces are too many for one floor: {MOST_POSITIONS // 3} at most."
        )
    return hand, back, plain, at


def _hands(floor: Floor, step: FloorStep) -> int:
    return sum(crew.people for crew in floor.crews if step.name in crew.steps)


def _limit(floor: Floor, step: FloorStep) -> int | None:
    """The step's places, but no more of them than there are people for it."""
    given = [n for n in (step.places, _hands(floor, step) or None) if n is not None]
    return min(given) if given else None


def _crews(floor: Floor) -> tuple[Ints, Words, Words, Words]:
    """People and steps of each crew (nobody last), the crews of each step, steps by crews free."""
    crews = in_order(floor.crews)
    does = np.zeros(len(crews) + 1, dtype=np.uint64)
    done_by = np.zeros(len(floor.steps), dtype=np.uint64)
    for k, crew in enumerate(crews):
        for i in map(floor.index, crew.steps):
            does[k] |= np.uint64(1 << i)
            done_by[i] |= np.uint64(1 << k)
    alone = np.flatnonzero(done_by == 0)
    does[-1] = sum(1 << int(i) for i in alone)
    done_by[alone] = 1 << len(crews)
    present = np.arange(2 << len(crews))
    by_present = np.zeros(present.size, dtype=np.uint64)
    for k, word in enumerate(does):
        by_present[(present >> k) & 1 == 1] |= word
    people = np.array([*(crew.people for crew in crews), 1 << 40], dtype=np.int64)
    return people, does, done_by, by_present


def in_order(crews: tuple[Crew, ...]) -> tuple[Crew, ...]:
    """The crews in the order in which people are taken from them: who does least comes first."""
    return tuple(sorted(crews, key=lambda crew: (len(crew.steps), -crew.there)))


def _slots(floor: Floor, count: int) -> tuple[Ints, Ints, Ints]:
    """First slot and places of each step, and the step of each slot (-1 for the door)."""
    limits = [_limit(floor, s) for s in floor.steps]
    places = np.array([NO_LIMIT if n is None or n >= count else n for n in limits])
    for i, step in enumerate(floor.steps):
        if step.batch > 1 and places[i] == NO_LIMIT:
            places[i] = min(count, MOST_PLACES)
        if places[i] > MOST_PLACES:
            raise ValueError(f"{step.name}: {MOST_PLACES} places at most, or as many as pieces.")
    free = np.flatnonzero(places == NO_LIMIT)
    sizes = np.where(places == NO_LIMIT, 0, places)
    offset = 1 + np.cumsum(sizes) - sizes
    offset[free] = 1 + sizes.sum()
    slot_step = [-1, *np.repeat(np.arange(sizes.size), sizes).tolist()]
    # What a shared slot frees is nothing, hence any step without limit will do.
    slot_step += [int(n) for n in free[:1]] * count
    return offset, places, np.array(slot_step)


def _children(pieces: tuple[FloorPiece, ...]) -> Ints:
    known = {p.key: i for i, p in enumerate(pieces)}
    below: list[list[int]] = [[] for _ in pieces]
    for i, p in enumerate(pieces):
        if p.after is not None:
            if p.after not in known:
                raise ValueError(f"{p.key} waits for “{p.after}”, which is not on the floor.")
            if p.enters_h is not None:
                raise ValueError(f"{p.key} begins after a piece or at an hour, not both.")
            below[known[p.after]].append(i)
    table = np.full((len(pieces), max((len(b) for b in below), default=0)), -1, dtype=np.int64)
    for i, b in enumerate(below):
        table[i, : len(b)] = b
    for first in pieces:  # a circle would wait for ever
        seen, at = {first.key}, first.after
        while at is not None:
            if at in seen:
                raise ValueError(f"{first.key} waits for itself in a circle.")
            seen.add(at)
            at = pieces[known[at]].after
    return table


def _sent_back(floor: Floor) -> tuple[Floats, Ints]:
    causes = max(len(s.rework) for s in floor.steps)
    below = np.zeros((len(floor.steps), causes))
    to = np.zeros((len(floor.steps), causes), dtype=np.int64)
    for i, step in enumerate(floor.steps):
        total = 0.0
        for c in range(causes):
            if c < len(step.rework):
                total += step.rework[c].share
                to[i, c] = floor.index(step.rework[c].to)
            below[i, c] = total
    return below, to


def _keys(floor: Floor, pieces: tuple[FloorPiece, ...]) -> Words:
    """P × S: whose chance it is. Where it goes alike for a group, it is that of its first."""
    first = {key: group[0] for group in floor.together for key in group}
    return np.array(
        [
            [
                draws.key_of(first.get(p.key, p.key) if s.alike else p.key, s.name)
                for s in floor.steps
            ]
            for p in pieces
        ],
        dtype=np.uint64,
    )


def lay_out(floor: Floor, late: Newcomers) -> FloorArrays:
    """The floor as arrays, for the newcomers of `newcomers`.

    Raises ValueError in plain words for a floor that makes no sense. Longer than most functions
    because it is a table of fields, each a line or two.
    """
    _check(floor)
    pieces = everyone(floor, late)
    if not pieces:
        raise ValueError("There is no piece on the floor and none to come.")
    hand, back, plain, at = _positions(floor, pieces)
    offset, places, slot_step = _slots(floor, len(pieces))
    start = np.array([floor.index(p.step) for p in pieces])
    held = int((hand >= 0).sum())
    share, age, own = np.zeros(at.size), np.zeros(at.size), np.full(at.size, -1)
    rows = [s.durations for s in floor.steps]
    for i, p in enumerate(pieces):
        if p.in_hand and p.left is not None:
            own[hand[i]] = len(rows)
            rows.append(p.left)
        elif p.in_hand:
            below = draws.share_below(floor.steps[start[i]].durations, p.age_h)
            # Older than anything ever seen: nothing is known but that it is not done, so it draws
            # afresh, as if it had just begun.
            share[hand[i]], age[hand[i]] = (below, p.age_h) if below < 1 else (0.0, 0.0)
    kinds = list({id(s.hours): s.hours for s in floor.steps}.values())
    row = np.array([next(k for k, h in enumerate(kinds) if h is s.hours) for s in floor.steps])
    later = np.array([p.enters_h is not None or p.after is not None for p in pieces])
    send_below, send_to = _sent_back(floor)
    child = _children(pieces)
    people, does, done_by, by_present = _crews(floor)
    return FloorArrays(
        offset=offset,
        places=places,
        batch=np.array([s.batch for s in floor.steps]),
        table=np.array(rows, dtype=np.float64),
        hours_row=row,
        worked_horizon=np.array([float(s.hours.worked(floor.horizon_h)) for s in floor.steps]),
        send_below=send_below,
        send_to=send_to,
        done_by=done_by,
        hands=np.array([_hands(floor, s) for s in floor.steps], dtype=np.int64),
        slot_step=slot_step,
        people=people,
        slower=np.array([*(1.0 / crew.there for crew in in_order(floor.crews)), 1.0]),
        does=does,
        by_present=by_present,
        start=start,
        last=np.array([_last(floor, p.last) for p in pieces]),
        plain=plain,
        back=back,
        key=_keys(floor, pieces),
        child=child,
        begins=np.where(later, -1, np.where(hand >= 0, hand, plain)),
        since=np.array([0.0 if p.in_hand else 0.0 - p.waited_h for p in pieces]),
        piece_at=at,
        turn=np.repeat([0, 1, 2], [held, at.size - held - len(pieces), len(pieces)]),
        done_share=share,
        rest_share=1.0 - share,
        done_age=age,
        own_table=own,
        counts=(np.arange(at.size) >= held).astype(np.int64),
        hours=tables(kinds),
        words=-(-at.size // 64),
        cap=floor.rework_cap,
        horizon=floor.horizon_h,
        linked=any(s.batch > 1 for s in floor.steps),
        forked=child.shape[1] > 0,
        crewed=bool(floor.crews),
    )
