"""On which sample did the gain setting move?

The measurement knows it to 10 ms; a join needs it nearer, because 10 ms of sound with 60 dB too much gain is
a bang. Before and after the step the signal is taken for noise of two variances; the likeliest place of the
change is the one that makes ``k ln v1 + (n - k) ln v2`` smallest (maximum likelihood for normal samples), found
over the first difference of the signal, which has little of the voice's slow swings.

Conventions: positions are samples from the start of the take.
"""

import math

import numpy as np

from takewell.level.evidence import TrackEvidence

SEARCH_S = 0.015
"""To each side of where the measurement saw the step: its 10 ms and half as much again."""

EDGE_SAMPLES = 8
"""Fewer samples than this have no variance to speak of."""


def step_position(track: TrackEvidence, near_s: float) -> int:
    """Return the first sample recorded at the new setting; where nothing can be told, the measurement's place."""
    rate = track.trace.rate
    near, reach = math.floor(near_s * rate + 0.5), math.ceil(SEARCH_S * rate)
    start = max(near - reach, 0)
    samples = track.samples(start, near + reach)
    power = (np.diff(samples, axis=0) ** 2).sum(axis=1)
    n = len(power)
    if n < 4 * EDGE_SAMPLES or not power.any():
        return near
    total = np.cumsum(power)
    k = np.arange(EDGE_SAMPLES, n - EDGE_SAMPLES)
    tiny = total[-1] / n * 1e-20
    before, after = total[k - 1] / k, (total[-1] - total[k - 1]) / (n - k)
    cost = k * np.log(before + tiny) + (n - k) * np.log(np.maximum(after, 0) + tiny)
    # Difference k lies between samples k and k + 1; the jump itself is the first large (or last large) one.
    return start + int(k[np.argmin(cost)]) + 1
