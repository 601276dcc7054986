"""How much of the mix did each source have?

Conventions: shares are power gains whose rows add up to one; powers K-weighted mean squares after the moves.
"""

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]


class Tally:
    """Adds up what each source had, stretch by stretch."""

    def __init__(self, sources: int) -> None:
        self.sources = sources
        self._steps = 0
        self._share = np.zeros(sources)
        self._leads = np.zeros(sources)
        self._energy = np.zeros(sources)

    def add(self, shares: F64, power: F64) -> None:
        """Take the shares and powers of some steps, (n, sources) each."""
        self._steps += len(shares)
        self._share += shares.sum(axis=0)
        self._leads += np.bincount(np.argmax(shares, axis=1), minlength=self.sources)
        self._energy += (shares * power).sum(axis=0)

    def parts(self) -> tuple[F64, F64, F64]:
        """Return each source's mean share, part of the time in the lead, and part of the mix's energy."""
        steps = max(self._steps, 1)
        whole = float(self._energy.sum())
        sound = self._energy / whole if whole > 0 else np.zeros(self.sources)
        return self._share / steps, self._leads / steps, sound
