"""Which value stands at a given rank of a column that may be too long for memory?

A column is given as a function that yields its pieces, so it can be gone through more than once. A short one is ranked
in memory; of a long one the value's bits are found sixteen at a time, by counting how many values share those found so far.
Both give the same value.
"""

from collections.abc import Callable, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
U64 = NDArray[np.uint64]
Pieces = Callable[[], Iterable[F64]]

IN_MEMORY = 1 << 20
"""Values."""

_SIGN = np.uint64(1 << 63)
_BITS = 16


def in_pieces(column: F64 | Pieces) -> Pieces:
    """Return a function that yields the column's pieces; an array is one piece."""
    if isinstance(column, np.ndarray):
        array = column
        return lambda: (array,)
    return column


def count_of(column: F64 | Pieces) -> int:
    """Return how many values there are."""
    return sum(len(part) for part in in_pieces(column)())


def ranked(column: F64 | Pieces, ranks: Sequence[int]) -> list[float]:
    """Return the values at these ranks, 0 being the smallest.

    Parameters
    ----------
    column : (n,) float64 array or function that yields such
        No NaN.
    ranks : sequence of int
        From 0 to n - 1.
    """
    pieces = in_pieces(column)
    count = count_of(pieces)
    if count <= IN_MEMORY:
        values = np.partition(np.concatenate(list(pieces())), list(ranks))
        return [float(values[rank]) for rank in ranks]
    return [_searched(pieces, rank) for rank in ranks]


def _searched(pieces: Pieces, rank: int) -> float:
    found, shift = np.uint64(0), 64
    while shift:
        shift -= _BITS
        counts = np.zeros(1 << _BITS, np.int64)
        for part in pieces():
            keys = _ordered(part)
            if shift < 64 - _BITS:
                keys = keys[keys >> np.uint64(shift + _BITS) == found]
            digits = (keys >> np.uint64(shift)) & np.uint64((1 << _BITS) - 1)
            counts += np.bincount(digits.astype(np.int64), minlength=1 << _BITS)
        below = np.cumsum(counts)
        digit = int(np.searchsorted(below, rank, "right"))
        rank -= int(below[digit] - counts[digit])
        found = (found << np.uint64(_BITS)) | np.uint64(digit)
    bits = np.array([found ^ _SIGN if found & _SIGN else ~found], np.uint64)
    return float(bits.view(np.float64)[0])


def _ordered(values: F64) -> U64:
    """Return the bits of the values, turned so that they order as the values do."""
    bits = np.ascontiguousarray(values, np.float64).view(np.uint64)
    return np.asarray(np.where(bits & _SIGN, ~bits, bits | _SIGN))
