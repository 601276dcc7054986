"""What does a sound level meter's needle show: levels with the time weightings F and S.

Source: IEC 61672-1:2013, 3.8 and 5.8: the squared signal through one exponential with 125 ms (F) or 1 s (S), read in dB. Levels
are AES17 dBFS (a steady full-scale sine reads 0), not dB SPL: the microphone's calibration is not known here.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from takewell.measure.signal_check import checked
from takewell.units import rms_dbfs

TIME_CONSTANT_S = {"F": 0.125, "S": 1.0}


def time_weighted_dbfs(
    samples: NDArray[np.floating], rate: int, weighting: Literal["F", "S"]
) -> NDArray[np.float64]:
    """Return the time-weighted level of each channel at every sample, in dBFS.

    Parameters
    ----------
    samples : (n, channels) float array
        Linear; weight by frequency first (:mod:`takewell.measure.weighting`). Not changed.
    rate : int
        Sampling rate in Hz.
    weighting : {"F", "S"}
        Fast, 125 ms, or slow, 1 s.

    Returns
    -------
    (n, channels) float64 array
        ``-inf`` while nothing has sounded. The needle starts at rest.

    Raises
    ------
    SignalError
        If the samples are no sound.
    """
    keep = np.exp(-1 / (TIME_CONSTANT_S[weighting] * rate))
    return rms_dbfs(lfilter([1 - keep], [1, -keep], checked(samples) ** 2, axis=0))
