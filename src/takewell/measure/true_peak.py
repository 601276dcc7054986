"""How high does the wave go between the samples, and where can that be told without computing it?

Conventions: linear amplitudes, 1.0 = full scale; position n + tau lies tau samples after sample n.

Method (ITU-R BS.1770-5, Annex 2, asks for at least 4x oversampling below 96 kHz and 2x below 192 kHz): the wave
is the samples convolved with a Kaiser-windowed sine cardinal of 40 samples' width, flat within 0.014 dB up to
0.45 of the rate, its images 57 dB down from 0.55 of the rate on. It is read on a grid of 32 points a sample
at every sampling rate; that loses at most 0.009 dB at 0.45 of the rate. Every phase of the interpolator passes a constant and a
ramp exactly (sum 1, first moment tau), so it differs from a straight line between two points of the wave only
by a weighted sum of second differences of the samples. Hence, for every signal, with D the largest second
difference in reach and F the largest sum of the magnitudes of those weights:

    no point between two points of the wave that are w/32 of a sample apart is higher than
    the higher of the two + F(w) * D,     F(32) = 0.496, F(16) = 0.111, F(8) = 0.033, F(4) = 0.009, F(2) = 0.002

(`sag_factors` computes F). Also no point is higher than S times the largest sample in reach, S = 2.62 the largest sum of the magnitudes of
a phase's weights. So a block of samples, a gap between samples, and each half, quarter ... of it is left alone
as soon as it cannot reach the maximum found so far, or can rise by no more than `SLACK` of its own ends.
Voiced speech bends little from sample to sample: nearly all of it is left alone. What is left alone
cannot change the result, so the result does not depend on the order of search.
"""

import math

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

REACH = 20
"""Samples that count on each side of a point of the wave."""

GRID = 32
"""Points of the finest grid per sample."""

KAISER_BETA = 6.2

SLACK = 2e-4
"""A gap that can rise by no more than this part of its higher end is not searched: 0.002 dB."""


def interpolator() -> F64:
    """Return the weights of the interpolator.

    Returns
    -------
    (33, 40) float64 array
        Row p gives the wave at n + p/32 from samples n - 19 to n + 20; the last row is sample n + 1 itself.
    """
    tau = np.arange(GRID + 1)[:, None] / GRID
    offset = np.arange(1 - REACH, REACH + 1)
    distance = tau - offset
    inside = np.clip(1 - (distance / REACH) ** 2, 0, None)
    weights = np.sinc(distance) * np.i0(KAISER_BETA * np.sqrt(inside))
    weights[[0, -1]] = np.rint(weights[[0, -1]] / weights.max())
    weights /= weights.sum(axis=1, keepdims=True)
    moment = weights @ offset - tau[:, 0]
    weights[:, REACH - 1] += moment
    weights[:, REACH] -= moment
    return np.asarray(weights)


def sag_factors(weights: F64) -> F64:
    """Return F(1), F(2), F(4), ... F(32): how far the wave can rise above a gap's ends, in second differences."""
    factors = [0.0]
    for width in (2**k for k in range(1, int(math.log2(GRID)) + 1)):
        share = (np.arange(GRID) % width / width)[:, None]
        left = weights[np.arange(GRID) // width * width]
        right = weights[np.arange(GRID) // width * width + width]
        rest = weights[:GRID] - (1 - share) * left - share * right
        factors.append(float(np.abs(np.cumsum(np.cumsum(rest, axis=1), axis=1)).sum(axis=1).max()))
    return np.array(factors)


def highest_gain(weights: F64) -> float:
    """Return S: no point of the wave is higher than S times the largest sample in reach."""
    return float(np.abs(weights).sum(axis=1).max())
