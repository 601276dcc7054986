"""How do several tracks' envelopes act on a block of interleaved samples?

Conventions: samples (n, channels) floats, positions count from the first sample of the track; results are
float64. Most of a day holds still: where every channel's gain is constant, one row of factors serves for the
whole stretch.
"""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from takewell.shape.envelope import GainEnvelope

F64 = NDArray[np.float64]
Samples = NDArray[np.float32] | NDArray[np.float64]


class GainBank:
    """The envelopes of a file's channels, in order.

    Parameters
    ----------
    envelopes : sequence of GainEnvelope or None
        One a channel; None is 0 dB throughout.
    """

    def __init__(self, envelopes: Sequence[GainEnvelope | None]) -> None:
        self.envelopes = tuple(envelopes)
        starts = {start for envelope in envelopes if envelope is not None for start in envelope.starts}
        self._edges = sorted({0, *starts})
        self._held = [self._row(low, high) for low, high in pairwise([*self._edges, self._edges[-1] + 1])]

    def apply(self, samples: Samples, start: int) -> F64:
        """Return `samples`, whose first one stands at position `start`, times their gains."""
        out = np.empty(samples.shape)
        for first, last, factors in self._stretches(start, len(samples)):
            np.multiply(samples[first:last], factors, out=out[first:last])
        return out

    def held_over(self, start: int, count: int) -> F64 | None:
        """Return the one row of factors that holds for these samples, None where one of them changes."""
        piece = max(bisect_right(self._edges, start) - 1, 0)
        following = self._edges[piece + 1] if piece + 1 < len(self._edges) else start + count
        return self._held[piece] if start + count <= following else None

    def undo(self, samples: Samples, start: int) -> F64:
        """Return `samples` divided by the gains: what `apply` was given, to within rounding.

        Where `apply`'s result was rounded to float32, rounding this result to float32 gives the original or
        its neighbour: the product's error is at most half a unit in the last place of the product, which the
        division makes less than one unit of the quotient (a significand lies from 1 to below 2), and the
        nearest number to a value less than one unit off is the original or the one beside it. Products below
        2^-126 or beyond 2^128 have no such precision to give back.
        """
        out = np.empty(samples.shape)
        for first, last, factors in self._stretches(start, len(samples)):
            np.divide(samples[first:last], factors, out=out[first:last])
        return out

    def _stretches(self, start: int, count: int) -> Iterator[tuple[int, int, F64]]:
        """Yield stretches of the block with their factors: one row where all hold, one a sample where not."""
        first, piece = 0, max(bisect_right(self._edges, start) - 1, 0)
        while first < count:
            following = self._edges[piece + 1] - start if piece + 1 < len(self._edges) else count
            last = min(following, count)
            held = self._held[piece]
            yield first, last, self._rows(start + first, last - first) if held is None else held
            first, piece = last, piece + 1

    def _row(self, low: int, high: int) -> F64 | None:
        """Return the one factor of each channel from `low` to `high`; None where one of them travels."""
        factors = [
            1.0 if envelope is None else envelope.constant_over(low, high - low)
            for envelope in self.envelopes
        ]
        return None if None in factors else np.array(factors, np.float64)

    def _rows(self, start: int, count: int) -> F64:
        rows = np.ones((count, len(self.envelopes)))
        for channel, envelope in enumerate(self.envelopes):
            if envelope is not None:
                rows[:, channel] = envelope.factors(start, count)
        return rows
