"""Decibels and the constants of the trade, each named once.

Levels follow AES17 (AES17-2015, 3.12): dBFS of an RMS is relative to a full-scale sine, so a sine
whose peak is 1.0 reads 0 dBFS and a square wave of the same peak +3.01 dBFS. Peaks are relative to 1.0.
ITU-T P.56 speaks of dBov, relative to an RMS of 1.0: the same signal reads 3.01 dB lower there.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

SINE_CREST_DB = 10 * math.log10(2)
"""What AES17 dBFS reads above dBov for the same signal, in dB (3.0103)."""

STEPS_PER_SECOND = 10
"""Steps of a trace per second; edges lie at round(k * rate / 10)."""

FINE_STEPS_PER_SECOND = 100
"""Fine steps of a trace per second; edges lie at round(k * rate / 100)."""


def decibels(amplitude: ArrayLike) -> NDArray[np.float64]:
    """Return 20 log10 of linear amplitudes, ``-inf`` for zero."""
    with np.errstate(divide="ignore"):
        return np.asarray(20 * np.log10(np.abs(np.asarray(amplitude, dtype=np.float64))))


def power_decibels(power: ArrayLike) -> NDArray[np.float64]:
    """Return 10 log10 of linear powers, ``-inf`` for zero."""
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(np.asarray(power, dtype=np.float64)))


def rms_dbfs(mean_square: ArrayLike) -> NDArray[np.float64]:
    """Return the AES17 level in dBFS of mean squares (full-scale sine = 0 dBFS), ``-inf`` for zero."""
    return power_decibels(mean_square) + SINE_CREST_DB


def amplitude(gain_db: ArrayLike) -> NDArray[np.float64]:
    """Return the linear factor of gains in dB."""
    return np.asarray(10 ** (np.asarray(gain_db, dtype=np.float64) / 20))


def finite_or_none(value: float) -> float | None:
    """Return `value` as a float, or None where it is infinite or NaN: a number that does not exist is not made up."""
    return float(value) if math.isfinite(value) else None


def step_edges(length_samples: int, rate: int, per_second: int = STEPS_PER_SECOND) -> NDArray[np.int64]:
    """Return the sample positions of a trace's step edges, ends included.

    Returns
    -------
    (steps + 1,) int64 array
        ``edges[k] = round(k * rate / per_second)`` (halves up) while that lies inside; the last edge is
        `length_samples`, so the last step may be short. One edge, zero, for an empty signal.
    """
    count = -(-length_samples * per_second // rate)
    edges = (2 * np.arange(count + 1, dtype=np.int64) * rate + per_second) // (2 * per_second)
    edges = edges[edges < length_samples]
    return np.append(edges, length_samples) if length_samples else np.zeros(1, np.int64)
