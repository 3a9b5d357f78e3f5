"""Who comes later: newcomers drawn for each replication, and pieces whose hour is known."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.leadtimes.floor import draws
from app.leadtimes.floor.model import Arrivals, Floor, FloorPiece

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]

LATER_THAN_ALL = 1e15  # behind today's pieces, whatever their age is counted in


class Newcomers(NamedTuple):
    """Newcomers: when each comes, R × A, infinite for never; by column their kind and number."""

    hours: Floats
    kind: Ints
    number: Ints


def newcomers(floor: Floor, keys: Words) -> Newcomers:
    """When newcomers come, one row a replication, sorted within each kind.

    Gaps are drawn by replication and number, so that the same people come whatever else changes.
    """
    none = np.zeros(0, dtype=np.int64)
    found = [Newcomers(np.empty((keys.size, 0)), none, none)]
    for kind, coming in enumerate(floor.arrivals if keys.size else ()):
        hours = _hours_of(coming, draws.key_of("door", *[str(kind)] * (kind > 0)), keys)
        count = hours.shape[1]
        found.append(Newcomers(hours, np.full(count, kind), np.arange(count)))
    return Newcomers(*(np.concatenate(part, axis=-1) for part in zip(*found, strict=True)))


def _hours_of(coming: Arrivals, door: int, keys: Words) -> Floats:
    gaps = np.sort(np.asarray(coming.gaps_h, dtype=np.float64))
    if not gaps.size or gaps[0] < 0 or not gaps.mean() > 0:
        raise ValueError(
            "Gaps between newcomers are hours, not negative, and not all of them zero."
        )
    count = 16
    while True:
        numbers = np.arange(count, dtype=np.uint64) * draws.GOLDEN
        u = draws.uniforms(keys[:, None] + np.uint64(door) + numbers[None, :])
        hour = np.cumsum(gaps[(u * gaps.size).astype(np.int64)], axis=1)
        if hour[:, -1].min() > coming.until_h:
            break
        count *= 2
    hour[hour > coming.until_h] = np.inf
    return hour[:, : int(np.isfinite(hour).sum(axis=1).max())]


def everyone(floor: Floor, late: Newcomers) -> tuple[FloorPiece, ...]:
    """Today's pieces, then the newcomers as pieces; when these enter differs by replication."""
    found = []
    for kind, n in zip(late.kind.tolist(), late.number.tolist(), strict=True):
        a = floor.arrivals[kind]
        name = f"newcomer {kind}.{n}" if kind else f"newcomer {n}"
        oldest = LATER_THAN_ALL + (n + 1) * float(np.mean(a.gaps_h))
        found.append(
            FloorPiece(name, a.step, a.last, priority=a.priority, oldest=oldest, enters_h=np.inf)
        )
    return (*floor.pieces, *found)


def door_book(floor: Floor, late: Newcomers) -> tuple[Floats, Ints]:
    """Who comes through the door when: hours and pieces, R × (booked pieces + newcomers), sorted
    along each row, with a last column that never comes.
    """
    rows, count = late.hours.shape
    booked = [i for i, p in enumerate(floor.pieces) if p.enters_h is not None]
    who = np.array(
        [*booked, *range(len(floor.pieces), len(floor.pieces) + count), 0], dtype=np.int64
    )
    hour = np.full((rows, who.size), np.inf)
    hour[:, : len(booked)] = [floor.pieces[i].enters_h for i in booked]
    hour[:, len(booked) : -1] = late.hours
    order = np.argsort(hour, axis=1, kind="stable")
    return np.take_along_axis(hour, order, axis=1), who[order]
