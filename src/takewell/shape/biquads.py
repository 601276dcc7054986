"""How do sections of second order run over a stream of several tracks, each with its own?

Direct form II transposed, in float64; the state is carried from block to block, so any split into blocks gives the
same samples. Coefficients may change from block to block (a notch that follows the mains): the state stays.

Conventions: samples (n, tracks) float64; sections as in SciPy, rows of b0 b1 b2 1 a1 a2.
"""

from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]


class Biquads:
    """Sections for each track of a stream.

    Parameters
    ----------
    sections : sequence of (k, 6) float array
        One for each track; none, shape (0, 6), leaves a track alone.
    """

    def __init__(self, sections: Sequence[F64]) -> None:
        self.sections = [np.ascontiguousarray(rows, np.float64).reshape(-1, 6) for rows in sections]
        self._states = [np.zeros((len(rows), 2)) for rows in self.sections]

    def apply(self, samples: F64) -> None:
        """Filter a block in place."""
        for track, rows in enumerate(self.sections):
            if len(rows):
                _run(rows, self._states[track], samples, track)


@njit(nogil=True, cache=True)
def _run(sections: F64, states: F64, samples: F64, track: int) -> None:
    for i in range(samples.shape[0]):
        value = samples[i, track]
        for k in range(sections.shape[0]):
            out = sections[k, 0] * value + states[k, 0]
            states[k, 0] = sections[k, 1] * value - sections[k, 4] * out + states[k, 1]
            states[k, 1] = sections[k, 2] * value - sections[k, 5] * out
            value = out
        samples[i, track] = value
