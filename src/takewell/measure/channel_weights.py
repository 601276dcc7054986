"""How much does each channel of a surround file count towards its loudness?

Source: ITU-R BS.1770-5, Annex 1, Table 3 (left, right, centre 1.0; left and right surround 1.41; low-frequency effects
left out) and Annex 3, Tables 4 and 5 for any place: 1.41 where the elevation is below 30 degrees and the
azimuth between 60 and 120 degrees either side, 1.0 elsewhere. Places come from the channel mask of
WAVE_FORMAT_EXTENSIBLE, whose set bits name the channels in order.

A mask cannot say where "back left" stands. Without side speakers it is the surround of a 5.1 set (110 degrees,
ITU-R BS.775), with them the rear of a 7.1 set (135 degrees).
"""

import numpy as np
from numpy.typing import NDArray

SURROUND_WEIGHT = 1.41

_LOW_FREQUENCY = 0x8
_BACK = {0x10, 0x20}
_SIDE = {0x200, 0x400}


def channel_weights(channels: int, mask: int | None) -> NDArray[np.float64]:
    """Return the BS.1770 weight of each channel's power.

    Parameters
    ----------
    channels : int
        How many there are.
    mask : int or None
        WAVE_FORMAT_EXTENSIBLE channel mask; None or 0 says nothing about places, and every channel counts fully, as
        do channels beyond the mask's bits.

    Returns
    -------
    (channels,) float64 array
        0, 1.0 or 1.41.
    """
    bits = [1 << k for k in range(32) if (mask or 0) >> k & 1][:channels]
    surrounds = _SIDE if _SIDE & set(bits) else _BACK
    named = [0.0 if bit == _LOW_FREQUENCY else SURROUND_WEIGHT if bit in surrounds else 1.0 for bit in bits]
    return np.array(named + [1.0] * (channels - len(named)))
