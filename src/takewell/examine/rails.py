"""At which samples is a wave cut flat at a rail, how high is the rail, and how much is gone?

A smooth crest that happens to be flat for three samples within one part in 10^4 meets them at almost no slope: with
curvature c, the flat part of n samples needs c (n − 1)² / 8 ≤ 10⁻⁴ of its height, so one step before it the
slope is below 5·10⁻⁴ of it. A cut crest is met at full slope. From the slopes at both ends, v₁ and v₂ per sample,
the parabola through them would have risen by h = (v₁ + v₂)(n + 1) / 8 over the rail: that is what was lost.

A rail also has nothing beyond it nearby, and is met again at the same height. Steps are flat too (a synthetic square
wave, a wave held over several samples) but are met from another flat, or fill nearly all the time.

Conventions: samples are a (n,) float array; `start` and `stop` count samples from the array's first, end exclusive;
levels are linear, signed by polarity.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from takewell.examine.spans import Runs, runs

F64 = NDArray[np.float64]

FLAT = 1e-4
"""Samples within this share of their height are flat: what the trace's `flat_run` counts. Dither of a 24-bit file
stays inside it down to −58 dBFS."""

LEAST_FLAT_SAMPLES = 3
"""Shortest flat run that is looked at."""

LEAST_LOST_DB = 0.25
"""Least loss, by the parabola, for a flat run to be a cut crest: sixty times what a smooth flat crest gives."""

LEAST_LOST_GRAINS = 12.0
"""Least loss in steps of the word length: a quantised smooth crest with three equal samples gives up to 5."""

LEAST_GRAINS = 64.0
"""Lowest rail, in steps of the word length: below it a quantised wave is itself a staircase."""

LONE_GRAINS = 3000.0
"""Height, in steps of the word length, from which a single cut crest of three samples is proof. Lower down equal
samples are too common by chance (each equals the one before with a chance that goes with one over the height), so
more of them are asked for, or `LEAST_TOGETHER` crests."""

LEAST_TOGETHER = 3
"""Cut crests at one height that are proof at any height."""

ALIKE = 2e-3
"""Heights within this share (0.017 dB) are one rail."""

BEYOND = 1.002
"""A sample above the rail by this factor within `AROUND_S` says that there is no rail."""

AROUND_S = 0.01

FULL_SCALE_GRAINS = 2.0
"""An integer sample this close to full scale is on the wall."""

SQUARE_SHARE = 0.8
"""Share of a stretch spent on the rails from which it may be a square wave."""

SQUARE_SPREAD = 0.1
"""Spread of the lengths of its flat runs (standard deviation over mean) below which it is one: speech and music
that were driven that hard have flats of all lengths."""


@dataclass(frozen=True)
class Cut:
    """One cut crest: samples ``[start, stop)`` at `rail`, with the loss estimated by the parabola."""

    start: int
    stop: int
    rail: float
    lost_db: float
    exact: bool
    """Whether all its samples are one value."""


def cuts(samples: F64, rate: int, grain: float) -> list[Cut]:
    """Return the cut crests of a stretch, in order.

    Parameters
    ----------
    samples : (n,) float64 array
        Linear, 1.0 = 0 dBFS.
    rate : int
        Sampling rate in Hz.
    grain : float
        One step of the word length, linear; 0 for float, whose own grain is then read from the samples.
    """
    steps = np.abs(np.diff(samples))
    steps = steps[steps > 0]
    if not len(steps):
        return []
    own = max(grain, float(steps.min()))
    wall = 1 - FULL_SCALE_GRAINS * grain if grain > 0 else np.inf
    found = [cut for polarity in (1, -1) for cut in _one_side(polarity * samples, rate, own, wall, polarity)]
    return _proven(sorted(found, key=lambda cut: cut.start), own, wall)


def _proven(found: list[Cut], grain: float, wall: float) -> list[Cut]:
    """Leave out cut crests that are too low to be proof alone and have no company at their height."""
    heights = np.array([abs(cut.rail) for cut in found])
    ordered = np.sort(heights)
    together = np.searchsorted(ordered, heights * (1 + ALIKE), side="right") - np.searchsorted(
        ordered, heights * (1 - ALIKE)
    )
    return [
        cut
        for cut, height, company in zip(found, heights, together, strict=True)
        if height >= wall or company >= LEAST_TOGETHER or _is_proof(height / grain, cut.stop - cut.start)
    ]


def _is_proof(grains: float, flat_samples: int) -> bool:
    """Return whether a lone crest is flat beyond chance: by the odds of a crest of three at `LONE_GRAINS`."""
    return bool((flat_samples - 1) * np.log(grains) >= (LEAST_FLAT_SAMPLES - 1) * np.log(LONE_GRAINS))


def is_square(flat: Runs, samples: int) -> bool:
    """Return whether flat runs that fill a stretch of `samples` are those of a synthetic square wave."""
    lengths = flat[:, 1] - flat[:, 0]
    if len(lengths) < 4 or lengths.sum() < SQUARE_SHARE * samples:
        return False
    return bool(lengths[1:-1].std() < SQUARE_SPREAD * lengths[1:-1].mean())


def _one_side(y: F64, rate: int, grain: float, wall: float, polarity: int) -> list[Cut]:
    """Return the cut crests on one side, `y` being positive there."""
    if len(y) < LEAST_FLAT_SAMPLES + 4:
        return []
    flat = (np.abs(np.diff(y)) <= FLAT * y[1:]) & (y[1:] > 0) & (y[:-1] > 0)
    spans = runs(flat)
    spans[:, 1] += 1
    spans = spans[spans[:, 1] - spans[:, 0] >= LEAST_FLAT_SAMPLES]
    if not len(spans):
        return []
    start, stop = spans[:, 0], spans[:, 1]
    rail = y[(start + stop) // 2]
    bounds = np.append(spans.ravel(), len(y))
    padded = np.append(y, y[-1])
    highest = np.maximum.reduceat(padded, bounds)[:-1:2]
    spread = highest - np.minimum.reduceat(padded, bounds)[:-1:2]
    nearby = maximum_filter1d(y, 2 * round(AROUND_S * rate) + 1, mode="nearest")
    beyond = np.maximum(nearby[start], nearby[stop - 1])
    height = np.maximum(_lost_height(y, start, stop, rail), 0.0)
    lost_db = 20 * np.log10(1 + height / rail)
    cut = (rail >= LEAST_GRAINS * grain) & (spread <= 4 * FLAT * rail + 2 * grain)
    cut &= beyond <= BEYOND * rail + grain
    cut &= (rail >= wall) | ((lost_db >= LEAST_LOST_DB) & (height >= LEAST_LOST_GRAINS * grain))
    return [
        Cut(int(start[k]), int(stop[k]), polarity * float(rail[k]), float(lost_db[k]), bool(spread[k] == 0))
        for k in np.flatnonzero(cut)
    ]


def _lost_height(y: F64, start: NDArray[np.int64], stop: NDArray[np.int64], rail: F64) -> F64:
    """Return how far the parabola through the slopes at both ends rises over the rail; 0 beside a step."""
    total, sides = np.zeros(len(start)), np.zeros(len(start))
    stepped = np.zeros(len(start), bool)
    for near, far in ((start - 1, start - 2), (stop, stop + 1)):
        there = (far >= 0) & (far < len(y))
        near, far = near.clip(0, len(y) - 1), far.clip(0, len(y) - 1)
        into, before = rail - y[near], y[near] - y[far]
        stepped |= there & (np.abs(before) <= FLAT * rail) & (into > FLAT * rail)
        total += np.where(there, np.maximum(into, before), 0)
        sides += there
    slope = total / np.maximum(sides, 1)
    return np.where(stepped, 0.0, slope * (stop - start + 1) / 4)
