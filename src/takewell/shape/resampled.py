"""How does a stream of samples run a little faster or slower, or at another rate, whatever its length?

Conventions: (n, channels) floats in, float64 out; `ratio` is output samples per input sample. The first output sample
lies on the first input sample (the filter's delay is taken out), and what leaves is round(n * ratio) samples in all.
The filter is soxr's, very high quality.
"""

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from soxr import ResampleStream

from takewell.errors import SettingError

F64 = NDArray[np.float64]
Samples = NDArray[np.float32] | NDArray[np.float64]

_NOMINAL_RATE = 48_000.0
"""Only the ratio of the two rates matters to the filter; this one is the input's."""


class Resampler:
    """Resample a stream by any ratio, block by block.

    Parameters
    ----------
    ratio : Fraction or float
        Output samples per input sample, 1/256 to 256. A recording whose clock runs `d` ppm fast is brought onto the
        other clock with 1 / (1 + d * 1e-6). Exactly 1 passes samples unchanged.
    channels : int

    Raises
    ------
    SettingError
        If the ratio is out of range.

    Examples
    --------
    >>> resampler = Resampler(Fraction(1, 2), 1)
    >>> tone = np.sin(np.arange(48_000) * 0.01)[:, None]
    >>> half = np.concatenate([resampler.add(tone), resampler.finish()])
    >>> half.shape
    (24000, 1)
    """

    def __init__(self, ratio: Fraction | float, channels: int) -> None:
        if not 1 / 256 <= ratio <= 256:
            raise SettingError(
                f"A resampling ratio of {float(ratio)} was asked for; 1/256 to 256 are possible."
            )
        self._channels, self._ratio = channels, ratio
        self._taken = self._given = 0
        self._stream = (
            None
            if ratio == 1
            else ResampleStream(
                _NOMINAL_RATE, _NOMINAL_RATE * float(ratio), channels, dtype="float64", quality="VHQ"
            )
        )

    def add(self, samples: Samples) -> F64:
        """Return the output that these further input samples make known."""
        block = np.ascontiguousarray(samples, np.float64)
        self._taken += len(block)
        if self._stream is None:
            return block
        return self._count(self._stream.resample_chunk(block))

    def finish(self) -> F64:
        """Return the rest of the output; silence is taken to follow the last sample."""
        nothing = np.zeros((0, self._channels))
        if self._stream is None:
            return nothing
        rest = self._count(self._stream.resample_chunk(nothing, last=True))
        due = round(self._taken * Fraction(self._ratio)) - self._given
        # The library rounds the length its own way; here it is one length, whatever the blocks.
        return rest if due == 0 else rest[:due] if due < 0 else np.pad(rest, ((0, due), (0, 0)))

    def _count(self, out: F64) -> F64:
        self._given += len(out)
        return out
