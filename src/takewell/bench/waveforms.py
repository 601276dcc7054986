"""What do the test signals look like at any moment?

Every signal is a function of time in seconds since its section began, so that it can be written at the player's rate
and computed again at the recorder's own sample times. Linear amplitudes; a level of 0 dBFS is a sine of peak 1
(AES17-2015, 3.12). Fades are raised cosines.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.units import amplitude

F64 = NDArray[np.float64]

FADE_S = 0.01
CHIRP_S = 0.5
CHIRP_HZ = (400.0, 4000.0)
"""The sync header's chirp: wide enough for a sharp peak, low enough for any path."""


def faded(t: F64, length_s: float, fade_s: float = FADE_S) -> F64:
    """Return the envelope of a section: 0 outside, 1 inside, raised-cosine edges of `fade_s`."""
    edge = np.clip(np.minimum(t, length_s - t) / fade_s, 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * edge))


def tone(t: F64, length_s: float, frequency_hz: float, level_dbfs: float) -> F64:
    """Return a sine with soft edges."""
    return np.asarray(
        amplitude(level_dbfs) * np.sin(2 * np.pi * frequency_hz * t) * faded(t, length_s), np.float64
    )


def ramped_tone(t: F64, length_s: float, frequency_hz: float, from_dbfs: float, to_dbfs: float) -> F64:
    """Return a sine whose level runs evenly in dB from one level to another."""
    level = from_dbfs + (to_dbfs - from_dbfs) * np.clip(t / length_s, 0, 1)
    return np.asarray(amplitude(level) * np.sin(2 * np.pi * frequency_hz * t) * faded(t, length_s))


def log_sweep(t: F64, length_s: float, low_hz: float, high_hz: float, level_dbfs: float) -> F64:
    """Return a sine whose frequency rises by equal ratios in equal times, ``f = low (high/low)^(t/length)``."""
    ratio = np.log(high_hz / low_hz)
    phase = 2 * np.pi * low_hz * length_s / ratio * np.expm1(np.clip(t, 0, length_s) / length_s * ratio)
    return np.asarray(amplitude(level_dbfs) * np.sin(phase) * faded(t, length_s))


def chirp(t: F64, *, falling: bool = False) -> F64:
    """Return the sync chirp of peak 1: `CHIRP_HZ` in `CHIRP_S`, evenly rising, or the same falling."""
    low, high = CHIRP_HZ[::-1] if falling else CHIRP_HZ
    phase = 2 * np.pi * (low * t + (high - low) / (2 * CHIRP_S) * t**2)
    return np.asarray(np.sin(phase) * faded(t, CHIRP_S))


def several_tones(t: F64, length_s: float, tones: tuple[tuple[float, float], ...]) -> F64:
    """Return sines of given (frequency Hz, level dBFS) together; phases by Newman's rule keep the crest low.

    Phase k is ``pi k^2 / K`` (Newman's phases as cited by Boyd, IEEE Trans. Circuits and Systems 33(10), 1986).
    """
    total = np.zeros(len(t))
    for k, (frequency_hz, level_dbfs) in enumerate(tones):
        total += amplitude(level_dbfs) * np.sin(2 * np.pi * frequency_hz * t + np.pi * k**2 / len(tones))
    return np.asarray(total * faded(t, length_s))


def burst_tone(
    t: F64,
    length_s: float,
    frequency_hz: float,
    rest_dbfs: float,
    burst_dbfs: float,
    burst_s: tuple[float, float],
) -> F64:
    """Return a sine at rest level that jumps to the burst level from ``burst_s[0]`` to ``burst_s[1]``."""
    loud = (t >= burst_s[0]) & (t < burst_s[1])
    return np.asarray(
        np.where(loud, amplitude(burst_dbfs), amplitude(rest_dbfs))
        * np.sin(2 * np.pi * frequency_hz * t)
        * faded(t, length_s)
    )
