"""Which filter takes off what lies below a voice?

A Butterworth high-pass of fourth order: -3.01 dB at the corner, 24 dB an octave below it, flat above, 0.3 dB down at
1.4 times the corner. A man's voice begins near 80 Hz, handling noise and traffic lie below (common practice, no source).
"""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter

ORDER = 4


def high_pass(corner_hz: float, rate: int) -> NDArray[np.float64]:
    """Return the sections of the high-pass, (2, 6), for `Biquads`."""
    return np.asarray(butter(ORDER, corner_hz, "highpass", fs=rate, output="sos"), np.float64)
