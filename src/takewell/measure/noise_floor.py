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

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.measure.ranked import IN_MEMORY, Pieces, count_of, in_pieces

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


def noise_floor(step_power: F64 | Pieces) -> NoiseFloor | None:
    """Return the floor of steps' mean squares.

    Parameters
    ----------
    step_power : (n,) float64 array or function that yields such
        Zero for a step that shall not count.

    Returns
    -------
    NoiseFloor or None
        None where no step counts.
    """
    given = in_pieces(step_power)
    held = [part[part > 0] for part in given()] if count_of(given) <= IN_MEMORY else None
    powers: Pieces = (lambda: held) if held is not None else (lambda: (part[part > 0] for part in given()))
    lowest = min((float(part.min()) for part in powers() if len(part)), default=0.0)
    if lowest == 0.0:
        return None
    peak = _lowest_peak(powers, 10 * math.log10(lowest))
    square, below = 0.0, 0
    for part in powers():
        under = 10 * np.log10(part) - peak
        under = under[under < 0]
        square, below = square + float((under**2).sum()), below + len(under)
    spread = math.sqrt(square / below) if below else 0.0
    limit = float(10 ** ((peak + min(max(SPREADS * spread, NARROWEST_DB), WIDEST_DB)) / 10))
    total, steps = 0.0, 0
    for part in powers():
        quiet = part[part <= limit]
        total, steps = total + float(quiet.sum()), steps + len(quiet)
    return NoiseFloor(total / steps, steps, limit)


def _lowest_peak(powers: Pieces, lowest_db: float) -> float:
    """Return the level in dB at which the lowest peak of the count lies."""
    counts, sums = np.zeros(AROUND_BINS + 1), np.zeros(AROUND_BINS + 1)
    for part in powers():
        level = 10 * np.log10(part)
        # Counted from the lowest level on, so a gain moves the bins along; the hair keeps that level itself off an edge.
        bins = np.floor((level - lowest_db) / BIN_DB + 1e-6).astype(np.int64) + AROUND_BINS
        grown = max(len(counts), int(bins.max(initial=0)) + 1)
        counts, sums = np.pad(counts, (0, grown - len(counts))), np.pad(sums, (0, grown - len(sums)))
        counts += np.bincount(bins, minlength=grown)
        sums += np.bincount(bins, level, minlength=grown)
    counts, sums = np.append(counts, np.zeros(AROUND_BINS)), np.append(sums, np.zeros(AROUND_BINS))
    smooth = np.convolve(counts, SMOOTH, "same")
    highest = smooth.copy()
    for k in range(1, AROUND_BINS + 1):
        highest[k:] = np.maximum(highest[k:], smooth[:-k])
        highest[:-k] = np.maximum(highest[:-k], smooth[k:])
    shares = np.convolve(counts, np.ones(2 * AROUND_BINS + 1), "same")
    enough = max(LEAST_SHARE * counts.sum(), min(LEAST_STEPS, counts.sum() / 2))
    peaks = np.flatnonzero((smooth >= highest) & (shares >= enough))
    at = int(peaks[0]) if len(peaks) else int(np.argmax(smooth))
    near = slice(max(at - AROUND_BINS, 0), at + AROUND_BINS + 1)
    return float(sums[near].sum() / counts[near].sum())
