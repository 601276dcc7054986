"""Which filter takes mains hum out and little else, while the mains wanders?

A comb of notches, one at each harmonic that was found. A notch of second order is 3 dB down `WIDTH_HZ` / 2 to each
side of its middle and nothing at the middle; the same width at every harmonic rings for the same time (1 / (pi width) =
0.16 s to 1/e) everywhere. The mains frequency is given as points in time and runs in straight lines between them; the
notches are set anew for every block, the state stays.

Conventions: as in `biquads`.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from takewell.shape.biquads import Biquads

F64 = NDArray[np.float64]

WIDTH_HZ = 2.0
HIGHEST_SHARE = 0.45
"""No notch lies above this share of the rate."""


def notches(mains_hz: float, orders: Sequence[int], rate: int) -> F64:
    """Return the sections of a comb of notches, (k, 6).

    A notch is the bilinear transform of ``(s^2 + w^2) / (s^2 + s w / Q + w^2)``, with Q the middle over the width.
    """
    rows = []
    for order in orders:
        hertz = order * mains_hz
        if hertz >= HIGHEST_SHARE * rate:
            continue
        slope = math.tan(math.pi * WIDTH_HZ / rate)
        cosine = math.cos(2 * math.pi * hertz / rate)
        scale = 1 / (1 + slope)
        rows.append([scale, -2 * cosine * scale, scale, 1.0, -2 * cosine * scale, (1 - slope) * scale])
    return np.array(rows, np.float64).reshape(-1, 6)


class HumNotch:
    """A comb that follows the mains on one track of a stream.

    Parameters
    ----------
    track, tracks : int
        Which track of how many.
    points : sequence of (int, float)
        Samples and the mains frequency there, in Hz; the nearest holds before the first and after the last.
    orders : sequence of int
        The harmonics to take out.
    rate : int
    """

    def __init__(
        self, track: int, tracks: int, points: Sequence[tuple[int, float]], orders: Sequence[int], rate: int
    ) -> None:
        self._track, self._rate, self._orders = track, rate, tuple(orders)
        self._at = [at for at, _ in points]
        self._hertz = [hertz for _, hertz in points]
        first = notches(points[0][1], orders, rate)
        self._biquads = Biquads([first if k == track else np.zeros((0, 6)) for k in range(tracks)])

    def apply(self, samples: F64, start: int) -> None:
        """Filter a block in place; its first sample stands at `start`."""
        middle = start + len(samples) / 2
        hertz = float(np.interp(middle, self._at, self._hertz))
        self._biquads.sections[self._track] = notches(hertz, self._orders, self._rate)
        self._biquads.apply(samples)
