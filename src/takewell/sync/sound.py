"""What is listened to when a recording and a clip are lined up, and how is it read?

Conventions: one channel of floats, 1.0 = full scale, positions in samples of the file's own rate. Of a recording its mix
track where it has one, else all its microphones together; timecode, tones, safety copies and unused tracks say nothing
new and are left out. Of a clip all channels together except those that carry timecode. Numbers that are none count as zero.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from takewell.roll.reading import TrackReader
from takewell.roll.values import Take
from takewell.sync.values import Clip, Recording
from takewell.wave import open_audio

F32 = NDArray[np.float32]

BLOCK_SAMPLES = 1 << 19
"""Samples read at a time, over all tracks."""


class _Reads(Protocol):
    def read(self, start_samples: int, count: int, /) -> NDArray[np.floating]: ...


class Sound:
    """One channel to line up by; use it in a ``with`` statement."""

    def __init__(self, subject: Recording | Clip) -> None:
        self.subject = subject
        self.rate = subject.rate
        self.length_samples: int
        self._reader: TrackReader | None = None
        if isinstance(subject, Recording):
            self.length_samples = subject.take.length_samples
            self._tracks = listened_to(subject.take)
            self._width = max(len(subject.take.tracks), 1)
            self._reader = TrackReader(subject.folder, subject.take)
        else:
            self.length_samples = subject.length_samples
            self._tracks = tuple(range(subject.channels))
            self._width = max(subject.channels, 1)
            self._file = open_audio(Path(subject.path))
            left_out = set(subject.timecode_channels)
            self._tracks = tuple(c for c in self._tracks if c + 1 not in left_out)

    def read(self, start_samples: int, count: int) -> F32:
        """Return ``count`` samples from `start_samples`; what lies before the start or after the end is silence."""
        out = np.zeros(count, np.float32)
        first, last = max(start_samples, 0), min(start_samples + count, self.length_samples)
        if last <= first or not self._tracks:
            return out
        if self._reader is not None:
            samples = self._reader.read(self._tracks, first, last - first)
        else:
            samples = self._file.read(first, last - first)
            if len(self._tracks) < samples.shape[1]:
                samples = samples[:, self._tracks]
        mono = samples[:, 0] if samples.shape[1] == 1 else samples.sum(axis=1)
        mono = mono.astype(np.float32, copy=False)
        if not np.isfinite(mono.sum()):
            mono = np.nan_to_num(mono, nan=0.0, posinf=0.0, neginf=0.0)
        at = first - start_samples
        out[at : at + len(mono)] = mono
        return out

    def blocks(self) -> Iterator[F32]:
        """Yield the whole from front to back, once."""
        size = max(BLOCK_SAMPLES // self._width, 1 << 14)
        for start in range(0, self.length_samples, size):
            yield self.read(start, min(size, self.length_samples - start))

    def close(self) -> None:
        """Close the files."""
        if self._reader is not None:
            self._reader.close()
        else:
            self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def listened_to(take: Take) -> Sequence[int]:
    """Return the numbers of the tracks of a take that are listened to together."""
    mix = [track.number for track in take.tracks if track.role == "mix"]
    if mix:
        return tuple(mix)
    microphones = [track.number for track in take.tracks if track.role == "iso"]
    return tuple(microphones or [track.number for track in take.tracks if track.role == "camera"])
