"""How does the level of one tone go over time?

The signal is brought down to 0 Hz by the tone's frequency and averaged over Hann-windowed segments, half overlapped: all
that lies farther off than two over the segment's length is gone. A hum or a whine holds its level; a note, a voice, a bird
that happen on the same frequency come and go.

Convention: levels are AES17 dBFS (a full-scale sine reads 0); ``-inf`` for silence.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SignalError
from takewell.units import decibels

F64 = NDArray[np.float64]

LEAST_SEGMENTS = 4


def tone_levels(samples: NDArray[np.floating], rate: int, frequency_hz: float, segment_s: float) -> F64:
    """Return the level of a tone in each segment, in dBFS.

    Parameters
    ----------
    samples : (n,) float array
        One channel. Not changed.
    rate : int
        Sampling rate in Hz.
    frequency_hz : float
        The tone's frequency; it may be off by a tenth of the inverse of `segment_s`.
    segment_s : float
        Length of a segment; shortened where needed so that four fit.

    Returns
    -------
    (k,) float64 array
        One level for each half segment.

    Raises
    ------
    SignalError
        If there are less than `LEAST_SEGMENTS` segments of ten samples.

    Examples
    --------
    >>> wave = 0.1 * np.sin(2 * np.pi * 440 * np.arange(48_000) / 48_000)
    >>> tone_levels(wave, 48_000, 440.0, 0.1).round(2).tolist()[:3]
    [-20.0, -20.0, -20.0]
    """
    size = 2 * int(min(segment_s * rate, 2 * len(samples) / (LEAST_SEGMENTS + 1)) / 2)
    if size < 10:
        raise SignalError(f"{len(samples)} samples are too few to follow a tone; 25 are the least")
    window = np.hanning(size + 1)[:-1]
    turned = samples * np.exp(-2j * np.pi * frequency_hz / rate * np.arange(len(samples)))
    starts = np.arange(0, len(samples) - size + 1, size // 2)
    amplitudes = np.array([np.abs(np.dot(window, turned[k : k + size])) for k in starts.tolist()])
    return np.asarray(decibels(2 * amplitudes / window.sum()))
