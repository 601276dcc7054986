"""The loop that turns floats into stored integers: scale, dither, round, hold, store, in one pass.

Conventions: samples (n, channels); bytes little-endian, interleaved. Random numbers are SplitMix64 (Steele, Lea, Flood,
"Fast splittable pseudorandom number generators", OOPSLA 2014): the k-th one is a mix of seed + k gamma, so the
noise of a sample depends on the seed and its place alone. The difference of a number's two 32-bit halves is
triangular over +-1, in steps of 2^-32, with a mean of exactly zero.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

_GAMMA = np.uint64(0x9E3779B97F4A7C15)
_FIRST, _SECOND = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
_LOW = np.uint64(0xFFFFFFFF)


@njit(nogil=True, cache=True)
def encode(
    samples: NDArray[np.floating],
    top: float,
    width: int,
    dithered: NDArray[np.bool_],
    counter: NDArray[np.uint64],
    clipped: NDArray[np.int64],
    replaced: NDArray[np.int64],
    out: NDArray[np.uint8],
) -> None:
    """Write the bytes of `samples` into `out`; bring the counter and the counts of each channel up to date."""
    state, at = counter[0], 0
    for i in range(samples.shape[0]):
        for channel in range(samples.shape[1]):
            value = float(samples[i, channel]) * top
            state += _GAMMA
            if dithered[channel]:
                mixed = (state ^ (state >> np.uint64(30))) * _FIRST
                mixed = (mixed ^ (mixed >> np.uint64(27))) * _SECOND
                mixed ^= mixed >> np.uint64(31)
                value += (np.float64(mixed >> np.uint64(32)) - np.float64(mixed & _LOW)) * 2.0**-32
            value = float(np.rint(value))
            if not -top <= value <= top - 1.0:  # also true for NaN
                if np.isnan(value):
                    replaced[channel] += 1
                    value = 0.0
                else:
                    clipped[channel] += 1
                    value = top - 1.0 if value > 0 else -top
            word = np.int32(value)
            for _ in range(width):
                out[at] = np.uint8(word & 0xFF)
                word >>= 8
                at += 1
    counter[0] = state
