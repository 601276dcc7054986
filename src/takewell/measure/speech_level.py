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
    if square_sum <= 0:
        return None
    exponents = np.array(thresholds)
    at_least = np.cumsum(active[::-1])[::-1]
    count = at_least[np.clip(exponents - lowest, 0, len(active) - 1)]
    reached = int(np.count_nonzero(count))
    level = 10 * np.log10(square_sum / count[:reached])
    over = level - 20 * math.log10(2) * exponents[:reached] - MARGIN_DB
    under = np.flatnonzero(over <= 0)
    if not len(under) or (under[0] == 0 and over[0] < 0):
        return None
    k = int(under[0])
    share = over[k - 1] / (over[k - 1] - over[k]) if k else 0.0
    active_level = float(level[k - 1] + share * (level[k] - level[k - 1])) if k else float(level[0])
    return _result(active_level, square_sum, length_samples)


def _result(level_dbov: float, square_sum: float, length_samples: int) -> SpeechLevel:
    mean_dbov = 10 * math.log10(square_sum / length_samples)
    return SpeechLevel(level_dbov + SINE_CREST_DB, 10 ** ((mean_dbov - level_dbov) / 10))
