"""What does the examination say of one track that lies in an array?"""

from collections.abc import Iterable

import numpy as np
from evaluation.sources import RATE
from numpy.typing import NDArray

from takewell.engine import Meter
from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.examine.examination import examine_take
from takewell.roll.values import Finding, MediaFile, Piece, Take, Track


class ArrayReader:
    """Reads the one track of a take from an (n, 1) array."""

    def __init__(self, samples: NDArray[np.floating]) -> None:
        self.samples = samples

    def read(self, track_numbers: Iterable[int], start_samples: int, count: int) -> NDArray[np.floating]:
        """Return (count, 1) samples, fewer at the end."""
        del track_numbers
        return self.samples[start_samples : start_samples + count]


def examined(samples: NDArray[np.float64], encoding: str, rate: int = RATE) -> tuple[Finding, ...]:
    """Return what the whole examination finds on one track of (n,) samples, stored in `encoding`."""
    meter = Meter(rate, 1, encoding=encoding)
    stored = samples.astype(np.float32)[:, None]
    for start in range(0, len(stored), 1 << 16):
        meter.add(stored[start : start + (1 << 16)])
    result = meter.finish()
    file = MediaFile("track.wav", 0, "WAVE", encoding, rate, 1, len(samples), None)
    track = Track(1, "Voice", "iso", encoding, (Piece("track.wav", 1, 0, len(samples)),))
    take = Take("1-1", "1", "1", "take", rate, len(samples), None, None, None, (file,), (track,))
    reader = ArrayReader(stored)
    heard = TrackEvidence(take, track, result.traces[0], ((track.pieces[0], result.tracks[0]),), reader)
    return examine_take(TakeEvidence(take, (heard,), reader)).findings
