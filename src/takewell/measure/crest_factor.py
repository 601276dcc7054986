"""How far do the peaks stand above the level?

Crest factor: largest absolute sample over RMS, in dB; 3.01 for a sine, 0 for a square wave. The plain ratio, so it
is the sample peak in dBFS less the AES17 level in dBFS, plus 3.01 (common practice, no source).
"""

import numpy as np
from numpy.typing import NDArray

from takewell.measure.signal_check import checked
from takewell.units import decibels


def crest_factor_db(samples: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the crest factor of each channel in dB.

    Parameters
    ----------
    samples : (n, channels) float array
        Linear. Not changed.

    Returns
    -------
    (channels,) float64 array
        NaN for digital silence, which has none.

    Raises
    ------
    SignalError
        If the samples are no sound.
    """
    signal = checked(samples)
    peak = np.abs(signal).max(axis=0)
    # Dividing by the peak first keeps the squares of very small and very large samples in range.
    with np.errstate(divide="ignore", invalid="ignore"):
        return -decibels(np.sqrt(np.mean((signal / peak) ** 2, axis=0)))
