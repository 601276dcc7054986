"""On which sample did the gain setting move?

The measurement knows it to 10 ms; a join needs it nearer, because 10 ms of sound with 60 dB too much gain is
a bang. By how much the setting moved is known well enough from the floors. So for every place k in question the step
is taken back (samples from k on are divided by the ratio g), and the place is right where what comes out is one
smooth wave. Its second differences d are taken for Laplace noise of one size, which makes

    n ln( sum |d| / n ) + (samples from k on) ln g

the thing to make smallest (maximum likelihood; the second term is what scaling does to the density). A place too
late leaves samples g times too large, one too early makes a kink on both sides of what was scaled away.

Conventions: positions are samples from the start of the take.
"""

import math

import numpy as np
from numpy.typing import NDArray

from takewell.level.evidence import TrackEvidence

F64 = NDArray[np.float64]

SEARCH_S = 0.015
"""To each side of where the measurement saw the step: its 10 ms and half as much again."""

LEAST_SAMPLES = 32


def step_position(track: TrackEvidence, near_s: float, step_db: float) -> int:
    """Return the first sample recorded at the new setting; where nothing can be told, the measurement's place.

    Parameters
    ----------
    track : TrackEvidence
    near_s : float
        Where the measurement saw the step.
    step_db : float
        By how much the setting moved.
    """
    rate = track.trace.rate
    near, reach = math.floor(near_s * rate + 0.5), math.ceil(SEARCH_S * rate)
    start = max(near - reach, 0)
    samples = track.samples(start, near + reach)
    n = len(samples)
    if n < LEAST_SAMPLES or not samples.any() or not step_db:
        return near
    ratio = 10 ** (step_db / 20)
    old, new = samples, samples / ratio
    # Second differences that lie wholly before place k, wholly from k on, and the two across it.
    k = np.arange(2, n - 1)
    before = np.concatenate([[0.0], np.cumsum(_bends(old[:-2], old[1:-1], old[2:]))])
    after = np.concatenate([[0.0], np.cumsum(_bends(new[:-2], new[1:-1], new[2:]))])
    size = before[k - 2] + (after[-1] - after[k])
    size += _bends(old[k - 2], old[k - 1], new[k]) + _bends(old[k - 1], new[k], new[k + 1])
    cost = n * np.log(size / n + np.abs(samples).max() * 1e-12) + (n - k) * math.log(ratio)
    return start + int(k[np.argmin(cost)])


def _bends(before: F64, here: F64, after: F64) -> F64:
    """Return the sizes of second differences, channels added."""
    return np.asarray(np.abs(before - 2 * here + after).sum(axis=1))
