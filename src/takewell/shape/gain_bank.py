"""How do several tracks' envelopes act on a block of interleaved samples?

Conventions: samples (n, channels) floats, positions count from the first sample of the track; results are
float64. Most of a day holds still: where every channel's gain is constant, one row of factors serves for the
whole stretch.
"""

import itertools
from collections.abc import Iterator, Sequence

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
        self._envelopes = tuple(envelopes)
        starts = {start for envelope in envelopes if envelope is not None for start in envelope.starts}
        self._starts = np.array(sorted(starts), np.int64)

    def apply(self, samples: Samples, start: int) -> F64:
        """Return `samples`, whose first one stands at position `start`, times their gains."""
        out = np.empty(samples.shape)
        for first, last, factors in self._stretches(start, len(samples)):
            np.multiply(samples[first:last], factors, out=out[first:last])
        return out

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
        low, high = np.searchsorted(self._starts, (start, start + count), side="right")
        edges = [0, *(int(at) - start for at in self._starts[low:high] if at - start < count), count]
        for first, last in itertools.pairwise(edges):
            if first == last:
                continue
            position, length = start + first, last - first
            held = [
                1.0 if envelope is None else envelope.constant_over(position, length)
                for envelope in self._envelopes
            ]
            if None not in held:
                yield first, last, np.array(held, np.float64)
                continue
            rows = np.empty((length, len(held)))
            for channel, envelope in enumerate(self._envelopes):
                rows[:, channel] = 1.0 if envelope is None else envelope.factors(position, length)
            yield first, last, rows
