"""How loud is what remains when nobody speaks?

Conventions: mean squares of 100 ms steps in, AES17 dBFS out (by the caller).

Method (ours): steps that hold digital silence are left out. The levels of all others are counted in bins of half a
decibel; quiet moments return to the floor again and again and make a peak at the lower end of the count, while the
tails of words pass through every level once. The lowest peak that holds a fair share of the steps is the floor's.
How far the steps under it spread (root mean square, in decibels) says how far above it still belongs to it: three times as much,
1 to 6 dB. The floor is the mean power of all steps up to there. Steady broadband noise spreads by tenths of a
decibel, so the tails of words stay out; a rumble whose 100 ms levels wander by decibels is averaged whole.
Stationary noise so reads its own RMS, and a word of speech in it changes nothing.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

BIN_DB = 0.5
SMOOTH = np.array([0.5, 1.0, 1.0, 1.0, 0.5]) / 4
"""Over 2 dB."""

AROUND_BINS = 3
"""A peak is the highest of so many bins on each side, and its share counts over them."""

LEAST_SHARE, LEAST_STEPS = 0.03, 5
WIDEST_DB, NARROWEST_DB = 6.0, 1.0
SPREADS = 3.0


class NoiseFloor(NamedTuple):
    """Mean square of the quiet steps, how many they are, and the mean square up to which a step counts as quiet."""

    mean_square: float
    steps: int
    limit: float


def noise_floor(step_power: F64) -> NoiseFloor | None:
    """Return the floor of steps' mean squares.

    Parameters
    ----------
    step_power : (n,) float64 array
        Zero for a step that shall not count.

    Returns
    -------
    NoiseFloor or None
        None where no step counts.
    """
    power = step_power[step_power > 0]
    if not len(power):
        return None
    level = 10 * np.log10(power)
    peak = _lowest_peak(level)
    below = level[level < peak] - peak
    spread = float(np.sqrt(np.mean(below**2))) if len(below) else 0.0
    limit = 10 ** ((peak + min(max(SPREADS * spread, NARROWEST_DB), WIDEST_DB)) / 10)
    quiet = power[power <= limit]
    return NoiseFloor(float(quiet.mean()), len(quiet), float(limit))


def _lowest_peak(level: F64) -> float:
    """Return the level in dB at which the lowest peak of the count lies."""
    # Counted from the lowest level on, so a gain moves the bins along; the hair keeps that level itself off an edge.
    bins = np.floor((level - level.min()) / BIN_DB + 1e-6).astype(np.int64) + AROUND_BINS
    counts = np.append(np.bincount(bins), np.zeros(AROUND_BINS))
    smooth = np.convolve(counts, SMOOTH, "same")
    highest = smooth.copy()
    for k in range(1, AROUND_BINS + 1):
        highest[k:] = np.maximum(highest[k:], smooth[:-k])
        highest[:-k] = np.maximum(highest[:-k], smooth[k:])
    shares = np.convolve(counts, np.ones(2 * AROUND_BINS + 1), "same")
    enough = max(LEAST_SHARE * len(level), min(LEAST_STEPS, len(level) / 2))
    peaks = np.flatnonzero((smooth >= highest) & (shares >= enough))
    at = int(peaks[0]) if len(peaks) else int(np.argmax(smooth))
    near = np.abs(bins - at) <= AROUND_BINS
    return float(np.median(level[near]))
