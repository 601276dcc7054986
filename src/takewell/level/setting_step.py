"""On which sample did the gain setting move?

The measurement knows it to 10 ms; a join needs it nearer, because 10 ms of sound with 60 dB too much gain is
a bang. By how much the setting moved is known well enough from the floors. So for every place k in question the step
is taken back (samples from k on are divided by the ratio g), and the place is right where what comes out is one
smooth wave: a place too late leaves samples g times too large, one too early makes a kink on both sides of what was
scaled away. The wave's second differences d are taken for Laplace noise whose size e is their own mean over the 2 ms
around (a voice changes its size within its period), which makes

    sum of ( ln e + |d| / e )  +  (samples from k on) ln g

the thing to make smallest (maximum likelihood; the last term is what scaling does to the density).

Conventions: positions are samples from the start of the take.
"""

import math

import numpy as np
from scipy.ndimage import uniform_filter1d

from takewell.level.evidence import TrackEvidence

SEARCH_S = 0.015
"""To each side of where the measurement saw the step: its 10 ms and half as much again."""

SIZE_S = 0.002

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
    around = 2 * round(SIZE_S * rate / 2) + 1
    tiny = float(np.abs(samples).max()) * min(1.0, 1 / ratio) * 1e-9
    wave = samples / ratio  # with the step taken back from its first sample on
    costs = np.empty(n - 2)
    for k in range(1, n - 1):
        wave[k - 1] = samples[k - 1]
        bends = np.abs(np.diff(wave, 2, axis=0)).sum(axis=1)
        size = np.maximum(uniform_filter1d(bends, around, mode="nearest"), tiny)
        costs[k - 1] = np.sum(np.log(size) + bends / size) + (n - k) * math.log(ratio)
    return start + 1 + int(np.argmin(costs))
