"""How much of the mix did each track have?

Conventions: shares are power gains whose rows add up to one; powers K-weighted mean squares after the moves.
"""

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]


class Tally:
    """Adds up what each track had, stretch by stretch."""

    def __init__(self, tracks: int) -> None:
        self.tracks = tracks
        self._steps = 0
        self._share = np.zeros(tracks)
        self._leads = np.zeros(tracks)
        self._energy = np.zeros(tracks)

    def add(self, shares: F64, power: F64) -> None:
        """Take the shares and powers of some steps, (n, tracks) each."""
        self._steps += len(shares)
        self._share += shares.sum(axis=0)
        self._leads += np.bincount(np.argmax(shares, axis=1), minlength=self.tracks)
        self._energy += (shares * power).sum(axis=0)

    def parts(self) -> tuple[F64, F64, F64]:
        """Return each track's mean share, part of the time in the lead, and part of the mix's energy."""
        steps = max(self._steps, 1)
        whole = float(self._energy.sum())
        sound = self._energy / whole if whole > 0 else np.zeros(self.tracks)
        return self._share / steps, self._leads / steps, sound
