"""What does a twin sound like once it lies over the track: in line to a part of a sample, and at its gain?

Conventions: positions are samples of the track's take; delays and gains are straight lines between the points where
they were found and held outside them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.mend.sound import Clock, Sound
from takewell.shape.placed import REACH, placed
from takewell.units import amplitude

F64 = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]

BLOCK = 16_384
"""Samples over which a drifting delay is taken as a straight line."""


@dataclass(frozen=True)
class Laid:
    """A twin over a track."""

    twin: Sound
    clock: Clock
    delays: Points
    gains_db: Points

    def read(self, start: int, count: int) -> F64:
        """Return (count,) float64 samples of the twin as they stand for the track's from `start` on."""
        out = np.empty(count)
        for first in range(0, count, BLOCK):
            size = min(BLOCK, count - first)
            out[first : first + size] = self._block(start + first, size)
        return out

    def _block(self, start: int, count: int) -> F64:
        begin, end = (
            self.clock.step * at + float(value_at(self.delays, at)) for at in (start, start + count)
        )
        step = (end - begin) / count
        if abs(step - 1) * count < 1e-6 and abs(begin - round(begin)) < 1e-6:
            begin, step = float(round(begin)), 1.0
        low = int(np.floor(begin)) - REACH
        read = self.twin.clean(low, int(np.ceil(end)) + REACH + 1 - low)
        gain = self.clock.polarity * amplitude(value_at(self.gains_db, start + np.arange(count)))
        return np.asarray(placed(read, begin - low, step, count) * gain)


def value_at(points: Points, at: float | NDArray[np.int64]) -> F64:
    """Return the values of points at some positions: straight between them, held outside."""
    where, values = zip(*points, strict=True)
    return np.asarray(np.interp(at, where, values))
