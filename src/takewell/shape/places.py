"""Where does a track stand between the loudspeakers, and by which gains?

A place runs from -1 (the left loudspeaker) over 0 (the middle) to 1 (the right one). Between two loudspeakers the
constant-power law holds,

    near = cos(x pi / 2),  far = sin(x pi / 2),  x from 0 (at the near one) to 1 (at the far one),

so the power is the same everywhere, and half-way each gets -3.01 dB. Stereo has one such pair, left and right. 5.1 has
two: left to centre, and centre to right; what stands in the middle comes from the centre loudspeaker alone. A mono
mix takes every track as it is.

Channel order and speakers are those of WAVE_FORMAT_EXTENSIBLE: 5.1 is front left, front right, front centre, low
frequency effects, back left, back right, the surrounds at 110 degrees (ITU-R BS.775-4).
"""

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
Layout = Literal["mono", "stereo", "5.1"]

CHANNELS: dict[Layout, tuple[str, ...]] = {
    "mono": ("M",),
    "stereo": ("L", "R"),
    "5.1": ("L", "R", "C", "LFE", "Ls", "Rs"),
}
"""Names of each layout's channels, in their order in a file."""

CHANNEL_MASKS: dict[Layout, int | None] = {"mono": None, "stereo": None, "5.1": 0x3F}
"""dwChannelMask of each layout's file; one and two channels need none."""


def places(layout: Layout, pans: Sequence[float]) -> F64:
    """Return the (tracks, channels) amplitude gains of each track's place, from -1 (left) to 1 (right)."""
    at = np.asarray(pans, np.float64)
    if layout == "mono":
        return np.ones((len(at), 1))
    if layout == "stereo":
        near, far = _law((at + 1) / 2)
        return np.stack([near, far], axis=1)
    where = np.zeros((len(at), len(CHANNELS[layout])))
    centre, outer = _law(np.abs(at))
    where[:, 2] = centre
    where[:, 0] = np.where(at < 0, outer, 0.0)
    where[:, 1] = np.where(at > 0, outer, 0.0)
    return where


def _law(part: F64) -> tuple[F64, F64]:
    """Return the gains of the near and the far loudspeaker for parts of the way between them."""
    return np.cos(part * np.pi / 2), np.sin(part * np.pi / 2)
