"""Words of 64 bits as sets of small whole numbers, many words at a time."""

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Words = NDArray[np.uint64]

ONE = np.uint64(1)


def lowest(x: Words) -> Words:
    """The lowest set bit of each word (0 for none)."""
    return x & (~x + ONE)


def index_of(bit: Words) -> Ints:
    """The index of the only set bit of each word."""
    return np.asarray(np.bitwise_count(bit - ONE), dtype=np.int64)


def bit_at(index: Ints) -> Words:
    """A word with one bit set."""
    return ONE << index.astype(np.uint64)


def first_true(found: NDArray[np.bool_]) -> Ints:
    """The first line in which each column is true (the last where none is): quicker than argmax
    down the columns of a table that is far wider than high.
    """
    line = np.full(found.shape[1], found.shape[0] - 1)
    for n in range(found.shape[0] - 2, -1, -1):
        np.copyto(line, n, where=found[n])
    return line
