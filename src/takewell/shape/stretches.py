"""Where was something taken off, and how much at most?

Conventions: amounts are whole numbers, (channels, n), zero where nothing was done; positions count from the first
sample ever given.
"""

from collections.abc import Iterator

import numpy as np
from numba import njit
from numpy.typing import NDArray

I64 = NDArray[np.int64]


class Stretches:
    """Runs of samples with amounts above zero, per channel; a run goes on where one block's last meets the next one's first."""

    def __init__(self, channels: int) -> None:
        self._found: list[list[tuple[int, int, int]]] = [[] for _ in range(channels)]

    def add(self, start: int, channels: I64, amounts: I64) -> None:
        """Take the amounts of some channels, one row each, of the samples from `start` on."""
        for row, first, last, most in _runs(amounts).tolist():
            found = self._found[channels[row]]
            if found and found[-1][1] == start + first:
                begun, _, before = found.pop()
                found.append((begun, start + last, max(most, before)))
            else:
                found.append((start + first, start + last, most))

    def __iter__(self) -> Iterator[tuple[int, int, int, int]]:
        """Yield (channel, start, end, largest amount)."""
        for channel, found in enumerate(self._found):
            for start, end, most in found:
                yield channel, start, end, most


@njit(nogil=True, cache=True)
def _runs(amounts: I64) -> I64:
    """Return the runs of amounts above zero as lines of row, first, last (exclusive) and largest."""
    rows, samples = amounts.shape
    runs = np.empty((rows * (samples // 2 + 1), 4), np.int64)
    count = 0
    for row in range(rows):
        first, most = -1, 0
        for i in range(samples):
            amount = amounts[row, i]
            if amount > 0:
                if first < 0:
                    first, most = i, 0
                most = max(most, amount)
            elif first >= 0:
                runs[count, 0], runs[count, 1], runs[count, 2], runs[count, 3] = row, first, i, most
                count += 1
                first = -1
        if first >= 0:
            runs[count, 0], runs[count, 1], runs[count, 2], runs[count, 3] = row, first, samples, most
            count += 1
    return runs[:count].copy()
