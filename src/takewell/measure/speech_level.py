"""How loud is the speech while someone speaks, and what part of the time is that?

Source: ITU-T P.56, method B: the envelope (two cascaded one-poles of 0.03 s on the magnitude) is compared with 15
thresholds, 2^-15 to 2^-1, each with a hangover of 0.2 s; the active level is where the level over the active time lies
15.9 dB above the threshold. Here the point is found by straight lines in decibels between the thresholds
(the software of ITU-T G.191 bisects to within 0.5 dB instead).

Conventions: `active` counts samples by the highest power of two their envelope reached within the hangover; levels are
AES17 dBFS, 3.01 dB above P.56's own dBov for the same signal.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.units import SINE_CREST_DB

MARGIN_DB = 15.9
LOWEST_THRESHOLD, HIGHEST_THRESHOLD = -15, -1
"""Exponents of two of the lowest and the highest threshold."""


class SpeechLevel(NamedTuple):
    """Active level in dBFS (AES17) and the part of the time that counts as active."""

    level_dbfs: float
    activity: float


def speech_level(
    square_sum: float,
    length_samples: int,
    active: NDArray[np.int64],
    lowest: int,
    thresholds: range = range(LOWEST_THRESHOLD, HIGHEST_THRESHOLD + 1),
) -> SpeechLevel | None:
    """Return the active speech level, or None where no threshold fits.

    Parameters
    ----------
    square_sum : float
        Sum of the squared samples.
    length_samples : int
        Samples in it.
    active : (e,) int64 array
        Entry k counts the samples whose envelope reached 2^(lowest + k) but no higher power within the hangover.
    lowest : int
        The first entry's exponent.
    thresholds : range
        Exponents of the thresholds; the standard's 15 unless given.

    Notes
    -----
    ITU-T P.56, method B. None: silence, or speech that is too low for the lowest threshold or too high for the highest.
    """
    at_least = np.cumsum(active[::-1])[::-1]
    before: tuple[float, float] | None = None
    for exponent in thresholds:
        k = min(max(exponent - lowest, 0), len(active) - 1)
        count = int(at_least[k])
        if count == 0 or square_sum <= 0:
            return None
        level = 10 * math.log10(square_sum / count)
        over = level - 20 * exponent * math.log10(2) - MARGIN_DB
        if over <= 0:
            if before is None:
                return None if over < 0 else _result(level, square_sum, length_samples)
            share = before[1] / (before[1] - over)
            return _result(before[0] + share * (level - before[0]), square_sum, length_samples)
        before = level, over
    return None


def _result(level_dbov: float, square_sum: float, length_samples: int) -> SpeechLevel:
    mean_dbov = 10 * math.log10(square_sum / length_samples)
    return SpeechLevel(level_dbov + SINE_CREST_DB, 10 ** ((mean_dbov - level_dbov) / 10))
