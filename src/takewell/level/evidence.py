"""What does levelling know of a track before it decides?

Conventions: times in seconds from the start of the take; the reader gives samples (n, tracks) floats.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from takewell.level.speech import Setting
from takewell.measure.trace import Trace
from takewell.roll.values import Role

F64 = NDArray[np.float64]


class SampleReader(Protocol):
    """Reads samples of a take's tracks through its continuation files."""

    def read(self, track_numbers: Sequence[int], start_samples: int, count: int) -> NDArray[np.floating]:
        """Return (n, len(track_numbers)) samples from `start_samples` of the take; fewer at its end."""
        ...


@dataclass(frozen=True)
class TrackEvidence:
    """One track, or several that move together: the trace, and the gain settings it was recorded at."""

    take: str
    members: tuple[int, ...]
    """Numbers of the tracks; one, unless they are linked."""
    name: str
    role: Role
    trace: Trace
    settings: tuple[Setting, ...]
    """In order, without gaps, from 0 to the end."""
    reader: SampleReader

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.trace.length_samples / self.trace.rate

    def samples(self, start_samples: int, stop_samples: int) -> F64:
        """Return a (n, members) copy of the samples, clipped to the track's ends, non-finite ones as zero."""
        start, stop = max(start_samples, 0), min(stop_samples, self.trace.length_samples)
        if stop <= start:
            return np.zeros((0, len(self.members)))
        read = self.reader.read(self.members, start, stop - start)
        return np.nan_to_num(np.asarray(read).astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
