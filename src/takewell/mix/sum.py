"""How do shares and places turn tracks into the channels of a mix?

A track's amplitude gain is the square root of its share. Between the middles of the 10 ms steps the shares run in
straight lines, so at every single sample they add up to one. Stereo follows the constant-power law,

    left = cos((1 + pan) pi / 4),  right = sin((1 + pan) pi / 4),

-3 dB each in the middle; a mono mix takes every track as it is.

Conventions: samples (n, tracks) in, (n, channels) out, float64; positions are samples of the take.
"""

import math
from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from takewell.mix.settings import Layout
from takewell.units import FINE_STEPS_PER_SECOND

F64 = NDArray[np.float64]


def places(layout: Layout, pans: Sequence[float]) -> F64:
    """Return the (tracks, channels) amplitude gains of each track's place."""
    if layout == "mono":
        return np.ones((len(pans), 1))
    angles = (1 + np.asarray(pans, np.float64)) * math.pi / 4
    return np.stack([np.cos(angles), np.sin(angles)], axis=1)


def summed(samples: F64, start: int, rate: int, shares: F64, first_step: int, where: F64) -> F64:
    """Return the mix of a block whose first sample stands at `start`.

    Parameters
    ----------
    samples : (n, tracks) float64 array
        With the tracks' moves applied.
    start, rate : int
    shares : (steps, tracks) float64 array
        Power gains at the middles of 10 ms steps of the take, from `first_step` on; beyond them the nearest holds.
    first_step : int
    where : (tracks, channels) float64 array

    Returns
    -------
    (n, channels) float64 array
    """
    out = np.zeros((len(samples), where.shape[1]))
    _sum(samples, start, FINE_STEPS_PER_SECOND / rate, shares, first_step, where, out)
    return out


def steps_for(start: int, stop: int, rate: int) -> tuple[int, int]:
    """Return the first and the stop step whose shares the samples from `start` to `stop` need."""
    first = math.floor((start + 0.5) * FINE_STEPS_PER_SECOND / rate - 0.5)
    last = math.floor((stop - 0.5) * FINE_STEPS_PER_SECOND / rate - 0.5) + 1
    return max(first, 0), last + 1


@njit(nogil=True, cache=True)
def _sum(
    samples: F64, start: int, steps_per_sample: float, shares: F64, first_step: int, where: F64, out: F64
) -> None:
    last = shares.shape[0] - 1
    gains = np.empty(shares.shape[1])
    for i in range(samples.shape[0]):
        at = (start + i + 0.5) * steps_per_sample - 0.5
        step = min(max(math.floor(at) - first_step, 0), last)
        following = min(step + 1, last)
        part = min(max(at - first_step - step, 0.0), 1.0)
        here, there = shares[step], shares[following]
        row = samples[i]
        for track in range(len(gains)):
            gains[track] = math.sqrt(here[track] + part * (there[track] - here[track])) * row[track]
        for channel in range(where.shape[1]):
            total = 0.0
            for track in range(len(gains)):
                total += gains[track] * where[track, channel]
            out[i, channel] = total
