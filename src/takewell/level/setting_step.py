"""On which sample did the gain setting move?

The measurement knows it to 10 ms, seldom only to some tenths of a second; a join needs it nearer, because 10 ms of sound
with 60 dB too much gain is a bang. By how much the setting moved is known well enough from the floors. So for every place
k in question the step is taken back (samples from k on are divided by the ratio g), and the place is right where what
comes out is one smooth wave: a place too late leaves samples g times too large, one too early makes a kink on both sides
of what was scaled away. The wave's second differences d are taken for Laplace noise whose size e is their own mean over
the 2 ms around (a voice changes its size within its period), which makes

    sum of ( ln e + |d| / e )  +  (samples from k on) ln g

the thing to make smallest (maximum likelihood; the last term is what scaling does to the density). Samples are tried one
by one around the place the measurement gives, and around the best of the places further away if that
is more likely by far.

Conventions: positions are samples from the start of the take.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from takewell.level.evidence import TrackEvidence

F64 = NDArray[np.float64]

SEARCH_S = 0.015
"""To each side of a place: the measurement's 10 ms and half as much again."""

FAR_S = 0.3
"""How far from the measurement's place another one is looked for: three of its steps of 100 ms."""

COARSE_S = 0.002

LIKELIER = 20.0
"""By how much (natural logarithm of likelihoods) a place further away has to win: e^20 to one, so that the few hundred
places tried cannot win by chance."""

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
    near = math.floor(near_s * rate + 0.5)
    if not step_db:
        return near
    here = _best(track, near, step_db)
    if here is None:
        return near
    reach, every = round(FAR_S * rate), max(round(COARSE_S * rate), 1)
    far = _costs(track, near - reach, near + reach, step_db, every)
    if far is None:
        return here
    places, costs = far
    there = _best(track, int(places[np.argmin(costs)]), step_db)
    if there is None or there == here:
        return here
    # Both places are judged over the same samples.
    low = min(here, there) - round(SEARCH_S * rate)
    both = _costs(track, low, max(here, there) + round(SEARCH_S * rate), step_db, 1, (here, there))
    if both is None:
        return here
    return there if both[1][1] < both[1][0] - LIKELIER else here


def _best(track: TrackEvidence, near: int, step_db: float) -> int | None:
    """Return the likeliest sample around a place, None where nothing can be told."""
    reach = math.ceil(SEARCH_S * track.trace.rate)
    found = _costs(track, near - reach, near + reach, step_db, 1)
    return None if found is None else int(found[0][np.argmin(found[1])])


def _costs(
    track: TrackEvidence,
    low: int,
    high: int,
    step_db: float,
    every: int,
    only: tuple[int, ...] = (),
) -> tuple[NDArray[np.int64], F64] | None:
    """Return places between two samples and what each costs; None where there is too little sound, or none."""
    rate = track.trace.rate
    start = max(low, 0)
    samples = track.samples(start, high)
    n = len(samples)
    if n < LEAST_SAMPLES or not samples.any():
        return None
    ratio = 10 ** (step_db / 20)
    around = 2 * round(SIZE_S * rate / 2) + 1
    tiny = float(np.abs(samples).max()) * min(1.0, 1 / ratio) * 1e-9
    places = np.array([place - start for place in only]) if only else np.arange(1, n - 1, every)
    wave = samples / ratio  # with the step taken back from its first sample on
    costs = np.empty(len(places))
    done = 0
    for index, k in enumerate(places):
        if k < done:
            wave[k:done] = samples[k:done] / ratio
        wave[done:k] = samples[done:k]
        done = int(k)
        bends = np.abs(np.diff(wave, 2, axis=0)).sum(axis=1)
        size = np.maximum(uniform_filter1d(bends, around, mode="nearest"), tiny)
        costs[index] = np.sum(np.log(size) + bends / size) + (n - k) * math.log(ratio)
    return places + start, costs
