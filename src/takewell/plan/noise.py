"""How much noise does each stage add, seen from the microphone, and what do they come to together?

Conventions: A-weighted RMS levels; powers of independent noises add. Referred to the microphone means divided
by the gain between the sound and where the noise arises, so it reads in dB SPL A and can be held against the
room and the speech. Rounding to steps of q makes white noise of q²/12 without dither and of q²/4 with triangular (TPDF)
dither (S. P. Lipshitz, R. A. Wannamaker, J. Vanderkooy, "Quantization and Dither: A Theoretical Survey", J. Audio
Eng. Soc. 40 (1992), 355-375).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from takewell.kit.johnson import BAND_HZ, a_weighted_bandwidth_hz
from takewell.kit.values import Weighting
from takewell.plan.chain import Stage, gain_through
from takewell.units import SINE_CREST_DB


@dataclass(frozen=True)
class NoiseShare:
    """What one origin adds to the floor, in dB SPL A at the microphone; `counted` is false where another share holds it already."""

    origin: str
    level_db_spl_a: float
    counted: bool = True
    note: str = ""


def power_sum_db(levels_db: Sequence[float]) -> float:
    """Return the level of independent noises together, in dB; ``-inf`` for none.

    Examples
    --------
    >>> round(power_sum_db([20.0, 20.0]), 2)
    23.01
    """
    total = sum(10 ** (level / 10) for level in levels_db)
    return 10 * math.log10(total) if total > 0 else -math.inf


def power_difference_db(whole_db: float, part_db: float) -> float:
    """Return what is left of a noise when a part of it is taken away; ``-inf`` where nothing is."""
    rest = 10 ** (whole_db / 10) - 10 ** (part_db / 10)
    return 10 * math.log10(rest) if rest > 0 else -math.inf


def quantisation_noise_dbfs_a(bits: int, rate: int, *, dither: bool = True) -> float:
    """Return the A-weighted noise of rounding to words of `bits` bits, in AES17 dBFS.

    Examples
    --------
    >>> round(quantisation_noise_dbfs_a(24, 48_000), 1)
    -144.2
    """
    step = 2.0 ** (1 - bits)
    mean_square = step * step / (4 if dither else 12)
    return 10 * math.log10(mean_square) + SINE_CREST_DB + white_to_a_db(rate)


def white_to_a_db(rate: int) -> float:
    """Return what white noise up to half the rate reads A-weighted above what it reads plain, in dB (-2.8 at 48 kHz)."""
    return 10 * math.log10(a_weighted_bandwidth_hz(1.0, rate / 2) / (rate / 2))


@lru_cache(maxsize=8)
def weighted_to_a_db(weighting: Weighting) -> float:
    """Return what white noise of 20 Hz to 20 kHz reads A-weighted above what it reads in another weighting, in dB."""
    a_bandwidth_hz = a_weighted_bandwidth_hz()
    match weighting:
        case "A":
            return 0.0
        case "none":
            return 10 * math.log10(a_bandwidth_hz / (BAND_HZ[1] - BAND_HZ[0]))
        case "CCIR-RMS":
            from takewell.measure.bs468 import CCIR_RMS_OFFSET_DB, bs468_db

            frequency_hz = np.geomspace(*BAND_HZ, 20_001)
            power = 10 ** ((bs468_db(frequency_hz) + CCIR_RMS_OFFSET_DB) / 10)
            return 10 * math.log10(a_bandwidth_hz / float(np.trapezoid(power, frequency_hz)))


def white_rms(noise_db_a: float, rate: int) -> float:
    """Return the RMS (1.0 = the crest of a sine of 0 dB) of white noise at `rate` that reads `noise_db_a` A-weighted.

    What a simulation of a stage adds to its samples.
    """
    return float(10 ** ((noise_db_a - white_to_a_db(rate) - SINE_CREST_DB) / 20))


def stage_noise_at_microphone(
    chain: Sequence[Stage], *, peak_db: float | None = None
) -> tuple[tuple[Stage, float], ...]:
    """Return each stage's own noise referred to the chain's entrance, in dB A.

    Parameters
    ----------
    chain : sequence of Stage
        From the sound on.
    peak_db : float, optional
        Peak level at the entrance: the converter path in use at that level counts. Nothing sounds if not given.
    """
    found = []
    for index, stage in enumerate(chain):
        gain = gain_through(chain, index)
        noise = stage.quiet_noise_db_a if peak_db is None else float(stage.noise_at(peak_db + gain))
        found.append((stage, noise - gain))
    return tuple(found)


def floor_at_microphone(chain: Sequence[Stage], *, peak_db: float | None = None) -> float:
    """Return the noise of all stages together, referred to the chain's entrance, in dB A."""
    return power_sum_db([level for _, level in stage_noise_at_microphone(chain, peak_db=peak_db)])
