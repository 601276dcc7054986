"""How loud is each source of a mix, step by step, over its own noise?

From the K-weighted mean squares (ITU-R BS.1770-5) of 10 ms steps, after the moves. K-weighting keeps rumble below 40 Hz
from opening a microphone. In order:

1. the median of three steps (a single step that straddles a moved gain says nothing);
2. the mean over `WINDOW_STEPS` steps around (50 ms: the ear's own time for loudness of speech is longer, and an
   open microphone 20 ms early costs nothing): the *level*;
3. less what noise may account for (twice the floor: what a tenth of the source's steps lie below), but never less than
   a hundredth of the level: what is *heard*. So a noisy microphone gets no share for its noise.

Conventions: (steps, sources) arrays of power.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from takewell.measure.loudness import window_powers
from takewell.units import FINE_STEPS_PER_SECOND

F64 = NDArray[np.float64]

WINDOW_STEPS = 5
REACH = WINDOW_STEPS // 2
FLOOR_SHARE = 0.1
NOISE_REACH = 2.0
"""Noise of 50 ms seldom stands higher over its floor than this (3 dB)."""

LEAST_HEARD = 0.01
STRETCH = 6000
"""Steps worked on at once: a minute."""


@dataclass(frozen=True)
class Levels:
    """The sources of a take, as sharing sees them; levels are worked out when they are asked for.

    Parameters
    ----------
    power_of : callable
        Given a first and a stop step, the K-weighted mean squares of the sources after their moves,
        (stop - first, sources) float64.
    steps : int
        How many there are.
    floors : (sources,) float64 array
        What a tenth of each source's steps lie below.
    loudest : (sources,) float64 array
        What each source's loudest second lies above.
    """

    power_of: Callable[[int, int], F64]
    steps: int
    floors: F64
    loudest: F64

    @classmethod
    def of(cls, power_of: Callable[[int, int], F64], steps: int) -> "Levels":
        """Return the levels of sources whose power is given, with their floors."""
        counts = np.zeros((power_of(0, 0).shape[1], _BINS), np.int64)
        for first in range(0, steps, STRETCH):
            level = _smoothed(power_of, steps, first, min(first + STRETCH, steps))[0]
            for source, column in enumerate(level.T):
                counts[source] += np.bincount(_bin(column), minlength=_BINS)
        second = min(FINE_STEPS_PER_SECOND, steps)
        floors = [
            _level(np.searchsorted(np.cumsum(row), steps * FLOOR_SHARE, side="right")) for row in counts
        ]
        loudest = [_level(np.searchsorted(np.cumsum(row), steps - second, side="right")) for row in counts]
        return cls(power_of, steps, np.array(floors), np.array(loudest))

    def between(self, first: int, stop: int) -> tuple[F64, F64]:
        """Return the levels and the powers of some steps."""
        return _smoothed(self.power_of, self.steps, first, stop)

    def heard(self, levels: F64) -> F64:
        """Return what is heard over the noise at some levels."""
        return np.asarray(np.maximum(levels - NOISE_REACH * self.floors, LEAST_HEARD * levels))

    def stretches(self) -> Iterator[F64]:
        """Yield what is heard, stretch by stretch."""
        for first in range(0, self.steps, STRETCH):
            yield self.heard(self.between(first, min(first + STRETCH, self.steps))[0])


_BINS_PER_DB, _LOWEST_DB, _HIGHEST_DB = 20, -250, 150
_BINS = (_HIGHEST_DB - _LOWEST_DB) * _BINS_PER_DB
"""Levels are counted in twentieths of a decibel, so ranks need no memory that grows; bin 0 is silence."""


def _bin(level: F64) -> NDArray[np.int64]:
    with np.errstate(divide="ignore"):
        at = (10 * np.log10(level) - _LOWEST_DB) * _BINS_PER_DB
    return np.asarray(np.clip(np.nan_to_num(at, neginf=0.0), 0, _BINS - 1), np.int64)


def _level(at: np.intp) -> float:
    return 0.0 if not at else float(10 ** ((at + 0.5) / _BINS_PER_DB / 10 + _LOWEST_DB / 10))


def mean_around(values: F64) -> F64:
    """Return the mean over `WINDOW_STEPS` steps around each, the ends repeated; only sums of what is positive."""
    padded = np.pad(values, [(REACH, REACH)] + [(0, 0)] * (values.ndim - 1), mode="edge")
    return window_powers(padded, np.ones(len(padded), np.int64), WINDOW_STEPS)


def _smoothed(power_of: Callable[[int, int], F64], steps: int, first: int, stop: int) -> tuple[F64, F64]:
    low, high = max(first - REACH - 1, 0), min(stop + REACH + 1, steps)
    power = power_of(low, high)
    inside = slice(first - low, stop - low)
    return mean_around(median_filter(power, size=(3, 1), mode="nearest"))[inside], power[inside]
