"""How are a track and its twin read, sample by sample, whatever files they lie in?

Conventions: (count,) float64; zeros outside the take; samples that are no numbers read as zero where `clean` is asked for.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.roll import Pair, Track, TrackReader

F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Sound:
    """One track of a take, to be read anywhere."""

    reader: TrackReader
    track: Track

    @property
    def rate(self) -> int:
        """Sampling rate in Hz."""
        return self.reader.take.rate

    @property
    def length_samples(self) -> int:
        """Length of the take."""
        return self.reader.take.length_samples

    def raw(self, start: int, count: int) -> F64:
        """Return samples as they are, zeros outside the take."""
        out = np.zeros(count)
        begin, end = max(start, 0), min(start + count, self.length_samples)
        if begin < end:
            read = self.reader.read([self.track.number], begin, end - begin)[:, 0]
            out[begin - start : begin - start + len(read)] = read
        return out

    def clean(self, start: int, count: int) -> F64:
        """Return samples with zeros for what is no number."""
        out = self.raw(start, count)
        out[~np.isfinite(out)] = 0.0
        return out


@dataclass(frozen=True)
class Clock:
    """Where a sample of the track lies in the twin: sample n at ``step * n + delay``."""

    step: float
    delay: float
    polarity: int


def clock_of(pair: Pair, twin_is_copy: bool, rate: int, twin_rate: int) -> Clock:
    """Return how the twin's samples lie to the track's, as the pair says."""
    drift = 1 + pair.drift_ppm * 1e-6
    polarity = -1 if pair.correlation < 0 else 1
    if twin_is_copy:
        return Clock(drift * twin_rate / rate, pair.delay_s * twin_rate, polarity)
    return Clock(twin_rate / rate / drift, -pair.delay_s / drift * twin_rate, polarity)
