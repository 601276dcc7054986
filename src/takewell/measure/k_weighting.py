"""How does the ear of BS.1770 weight frequencies: the K filter at any sampling rate.

Source: ITU-R BS.1770-5, Annex 1, Tables 1 and 2, give the two sections at 48 kHz; at other rates "the same
frequency response" is asked for. The analogue parameters below reproduce both tables to 1e-14 at 48 kHz through the bilinear
transform with the corner frequencies kept; they are not in the Recommendation, but in common use for other rates
(libebur128, ``ebur128.c``).
"""

import math

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SignalError

SHELF_HZ = 1681.974450955533
SHELF_GAIN_DB = 3.999843853973347
SHELF_Q = 0.7071752369554196
SHELF_MIDDLE_EXPONENT = 0.4996667741545416
HIGH_PASS_HZ = 38.13547087602444
HIGH_PASS_Q = 0.5003270373238773

LOWEST_RATE = 4000
"""Hz; below, the shelf's corner has no room under half the rate."""


def k_weighting_sos(rate: int) -> NDArray[np.float64]:
    """Return the K filter as two second-order sections, shelf first.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz, 4000 or more.

    Returns
    -------
    (2, 6) float64 array
        Rows ``b0 b1 b2 1 a1 a2``; the high-pass has the numerator 1, -2, 1 at every rate.

    Raises
    ------
    SignalError
        If the rate is below 4 kHz.

    Notes
    -----
    ITU-R BS.1770-5, Annex 1.
    """
    if rate < LOWEST_RATE:
        raise SignalError(
            f"a sampling rate of {rate} Hz is too low for loudness; {LOWEST_RATE} Hz or more is accepted"
        )
    k = math.tan(math.pi * SHELF_HZ / rate)
    high = 10 ** (SHELF_GAIN_DB / 20)
    middle = high**SHELF_MIDDLE_EXPONENT
    scale = 1 + k / SHELF_Q + k * k
    shelf = [
        (high + middle * k / SHELF_Q + k * k) / scale,
        2 * (k * k - high) / scale,
        (high - middle * k / SHELF_Q + k * k) / scale,
        1.0,
        2 * (k * k - 1) / scale,
        (1 - k / SHELF_Q + k * k) / scale,
    ]
    k = math.tan(math.pi * HIGH_PASS_HZ / rate)
    scale = 1 + k / HIGH_PASS_Q + k * k
    high_pass = [1.0, -2.0, 1.0, 1.0, 2 * (k * k - 1) / scale, (1 - k / HIGH_PASS_Q + k * k) / scale]
    return np.array([shelf, high_pass])
