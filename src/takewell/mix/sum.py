"""How do gains and places turn tracks into the channels of a mix?

A track's amplitude gain is the square root of its power gain. Between the middles of the 10 ms steps the power gains run in
straight lines, so shares that add up to one do so at every single sample.

Conventions: samples (n, tracks) floats in, (n, channels) float64 out; positions are samples of the take.
"""

import math
from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from takewell.shape import GainBank
from takewell.units import FINE_STEPS_PER_SECOND

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


class Summing:
    """Adds delayed tracks into channels, block by block, times their moves.

    Parameters
    ----------
    rate : int
    where : (tracks, channels) float64 array
        Amplitude gains.
    delays : sequence of int
        By how many samples each track comes later.
    bank : GainBank, optional
        The tracks' moves, where they were not applied before.
    """

    def __init__(self, rate: int, where: F64, delays: Sequence[int], bank: GainBank | None = None) -> None:
        self._steps_per_sample = FINE_STEPS_PER_SECOND / rate
        self._where = np.ascontiguousarray(where)
        self._reach = max(delays, default=0)
        self._rows = self._reach - np.array(delays, np.int64)
        self._bank = bank
        self._before: NDArray[np.floating] = np.zeros((self._reach, len(where)), np.float32)
        self._as_they_are = np.ones(len(where))

    def add(self, samples: NDArray[np.floating], start: int, gains: F64, first_step: int) -> F64:
        """Return the mix of the next block, whose first sample stands at `start`.

        Parameters
        ----------
        samples : (n, tracks) float array
        start : int
        gains : (steps, tracks) float64 array
            Power gains at the middles of 10 ms steps of the take, from `first_step` on; beyond them the nearest holds.
        first_step : int

        Returns
        -------
        (n, channels) float64 array
        """
        count = len(samples)
        if self._reach:
            samples = np.concatenate([self._before, samples])
            self._before = samples[count:].copy()
        factors = self._as_they_are
        if self._bank is not None:
            held = self._bank.held_over(max(start - self._reach, 0), len(samples))
            if held is None:  # one of the tracks' gains is on its way
                samples = self._bank.apply(samples, start - self._reach)
            else:
                factors = held
        out = np.zeros((count, self._where.shape[1]))
        where = self._where * factors[:, None]
        _sum(samples, self._rows, start, self._steps_per_sample, gains, first_step, where, out)
        return out


def steps_for(start: int, stop: int, rate: int) -> tuple[int, int]:
    """Return the first and the stop step whose gains the samples from `start` to `stop` need."""
    first = math.floor((start + 0.5) * FINE_STEPS_PER_SECOND / rate - 0.5)
    last = math.floor((stop - 0.5) * FINE_STEPS_PER_SECOND / rate - 0.5) + 1
    return max(first, 0), last + 1


@njit(nogil=True, cache=True, fastmath={"reassoc", "contract", "nsz"})
def _sum(
    samples: NDArray[np.floating],
    rows: I64,
    start: int,
    steps_per_sample: float,
    gains: F64,
    first_step: int,
    where: F64,
    out: F64,
) -> None:
    """Add up a block. Sums run in any order (so that they vectorise), but in the same one for every sample."""
    last = gains.shape[0] - 1
    tracks = gains.shape[1]
    flat = samples.reshape(-1)
    places = np.empty(tracks, np.int64)
    for track in range(tracks):
        places[track] = rows[track] * tracks + track
    weighted = np.empty(tracks)
    columns = np.ascontiguousarray(where.T)
    for i in range(out.shape[0]):
        at = (start + i + 0.5) * steps_per_sample - 0.5
        step = min(max(math.floor(at) - first_step, 0), last)
        following = min(step + 1, last)
        part = min(max(at - first_step - step, 0.0), 1.0)
        here, there = gains[step], gains[following]
        base = i * tracks
        for track in range(tracks):
            weighted[track] = math.sqrt(here[track] + part * (there[track] - here[track]))
        for track in range(tracks):
            weighted[track] *= flat[base + places[track]]
        for channel in range(columns.shape[0]):
            column = columns[channel]
            total = 0.0
            for track in range(tracks):
                total += weighted[track] * column[track]
            out[i, channel] = total
