"""Chance that stays put: every draw is a hash of who draws it, not the next of a stream.

A stay is known by the replication, the piece, the step and how often the piece was sent back
before it. Two floors that differ in one thing then give each piece the same work to do: common
random numbers, which make a "what if we ..." far sharper than two independent runs (Law, Simulation
Modeling and Analysis, chapter 11, from memory).
"""

from hashlib import blake2b

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Words = NDArray[np.uint64]

GOLDEN = np.uint64(0x9E3779B97F4A7C15)
MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
MIX_2 = np.uint64(0x94D049BB133111EB)
S30, S27, S31, S24 = np.uint64(30), np.uint64(27), np.uint64(31), np.uint64(24)
LOW_24 = np.uint64((1 << 24) - 1)
# One hash serves twice: its upper 40 bits say how long, its lower 24 whether the piece comes back.
PER_40, PER_24 = 2.0**-40, 2.0**-24


def mix(x: Words) -> Words:
    """The finishing step of splitmix64 (Steele, Lea & Flood 2014, "Fast splittable pseudorandom
    number generators"; constants of Stafford's variant 13): 64 bits in, 64 well-mixed bits out.
    """
    x = (x ^ (x >> S30)) * MIX_1
    x = (x ^ (x >> S27)) * MIX_2
    return x ^ (x >> S31)


def key_of(*names: str) -> int:
    """A 64-bit key of a name, the same in every process and whatever else is on the floor."""
    return int.from_bytes(blake2b("\0".join(names).encode(), digest_size=8).digest(), "little")


def replication_keys(seed: int, first: int, count: int) -> Words:
    """The keys of replications first … first+count-1 under a seed."""
    base = np.full(count, key_of("seed", str(seed)), dtype=np.uint64)
    return mix(base + GOLDEN * np.arange(first + 1, first + count + 1, dtype=np.uint64))


def uniforms(keys: Words) -> Floats:
    """Numbers in [0, 1) of already mixed keys, 40 bits each."""
    return (mix(keys) >> S24).astype(np.float64) * PER_40


def quantile_table(
    own: ArrayLike, default: ArrayLike | None = None, default_cases: float = 10.0, points: int = 512
) -> Floats:
    """Durations as a table of quantiles at 0, 1/points, …, 1, straight between them.

    `own` are the studio's own stays (hours of work, any order), each counting once; `default` is a
    sample of what such a step usually takes, counting together as much as `default_cases` stays
    (partial pooling with a fixed pseudo-count; 10 is common practice, no source). So nothing of its
    own gives the default, a hundred stays hardly feel it.

    For equal weights these are Hyndman & Fan's quantiles of type 5 (1996), whose area is the mean.
    Raises ValueError with neither sample, or with a duration that is negative or not finite.
    """
    mine = np.asarray(own, dtype=np.float64).ravel()
    theirs = np.asarray([] if default is None else default, dtype=np.float64).ravel()
    values = np.concatenate([mine, theirs])
    if not values.size:
        raise ValueError("A step needs stays of its own or a default to draw from.")
    if not np.all(np.isfinite(values)) or values.min() < 0:
        raise ValueError("A duration is a number of hours, zero or more.")
    weight = np.ones(values.size)
    if theirs.size:
        weight[mine.size :] = default_cases / theirs.size
    if not weight.sum() > 0:
        raise ValueError("With no stays of its own a step needs a default that counts.")
    order = np.argsort(values, kind="stable")
    values, weight = values[order], weight[order]
    middle = (np.cumsum(weight) - weight / 2) / weight.sum()
    return np.asarray(np.interp(np.linspace(0.0, 1.0, points + 1), middle, values))


def share_below(table: Floats, age: float) -> float:
    """The share of stays in a quantile table that end by an age: the inverse of the table."""
    if age >= table[-1]:
        return 1.0
    if age <= table[0]:
        return 0.0
    i = int(np.searchsorted(table, age)) - 1  # not np.interp, which goes astray where it is flat
    return float((i + (age - table[i]) / (table[i + 1] - table[i])) / (table.size - 1))
