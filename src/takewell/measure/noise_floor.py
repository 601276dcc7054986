"""How loud is what remains when nobody speaks?

Conventions: mean squares of 100 ms steps in, AES17 dBFS out.

Method (ours): steps with 10 ms or more of exact digital silence are left out. From the 3rd percentile of the others
upwards: the mean of all steps no more than 6 dB above the estimate is the next estimate, until it stands still.
Then the reach is narrowed to what the quiet steps themselves spread downwards (three times the root mean
square of their distance below the estimate, 1 to 6 dB): steady broadband noise spreads by tenths of a decibel,
so the tails of words no longer count, while a rumble whose 100 ms levels wander by decibels is still averaged whole. Stationary
noise so reads its own RMS, and a word of speech in it changes nothing.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

START_QUANTILE = 0.03
WIDEST_DB, NARROWEST_DB = 6.0, 1.0
SPREADS = 3.0


class NoiseFloor(NamedTuple):
    """Mean square of the quiet steps, and how many they are."""

    mean_square: float
    steps: int


def noise_floor(step_power: F64) -> NoiseFloor | None:
    """Return the floor of the mean squares of steps without digital silence; None where there are none."""
    power = step_power[step_power > 0]
    if not len(power):
        return None
    start = int(START_QUANTILE * (len(power) - 1))
    floor = _settled(power, float(np.partition(power, start)[start]), WIDEST_DB)
    below = 10 * np.log10(power[power < floor.mean_square] / floor.mean_square)
    spread = float(np.sqrt(np.mean(below**2))) if len(below) else 0.0
    reach = min(max(SPREADS * spread, NARROWEST_DB), WIDEST_DB)
    return _settled(power, floor.mean_square * 10 ** (-spread / 10), reach)


def _settled(power: F64, estimate: float, reach_db: float) -> NoiseFloor:
    """Raise the estimate to the mean of what lies within its reach until nothing more comes in."""
    reach, count = 10 ** (reach_db / 10), 0
    while True:
        quiet = power[power <= estimate * reach]
        if len(quiet) <= count:
            return NoiseFloor(estimate, count)
        estimate, count = float(quiet.mean()), len(quiet)
