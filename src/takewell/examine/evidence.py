"""What does a detector get to judge by, and how does it hand back what it found?

A detector is one function in one file: from a `TrackEvidence` (or, where it compares tracks, a `TakeEvidence`)
to findings. It reads traces first, then the measurement, and samples only where those point.

Conventions: times are seconds from the take's first sample; samples are (n, tracks) float, 1.0 = 0 dBFS.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from takewell.engine.results import Clip, Passage, TrackMeasurement
from takewell.measure.trace import Trace
from takewell.plan.predictions import Prediction
from takewell.roll.values import Finding, Piece, Severity, Stage, Take, Track

TARGET_LUFS = -23.0
"""Where speech belongs unless the user says otherwise (EBU R 128's figure, here for speech alone)."""

LEAST_STEP = {"uint8": 2.0**-7, "int16": 2.0**-15, "int24": 2.0**-23, "int32": 2.0**-23}
"""One step of an integer encoding relative to full scale; float encodings have none. Converters fill 24 bits at most, also
of 32."""


class SampleReader(Protocol):
    """Reads samples of a take's tracks through its continuation files."""

    def read(self, track_numbers: Sequence[int], start_samples: int, count: int) -> NDArray[np.floating]:
        """Return (n, len(track_numbers)) samples from `start_samples` of the take; fewer at its end."""
        ...


@dataclass(frozen=True)
class TrackEvidence:
    """One track with everything one pass over it gave."""

    take: Take
    track: Track
    trace: Trace
    measured: tuple[tuple[Piece, TrackMeasurement], ...]
    """The measurement of each piece, in order."""
    reader: SampleReader
    target_lufs: float = TARGET_LUFS
    planned: Prediction | None = None
    """What the day's plan said the track would read, where one is stored."""

    @property
    def rate(self) -> int:
        """Sampling rate in Hz."""
        return self.trace.rate

    @property
    def length_s(self) -> float:
        """Length of the track in seconds."""
        return self.trace.length_samples / self.trace.rate

    @property
    def is_float(self) -> bool:
        """Whether the track is stored in floating point, so that full scale is no wall."""
        return self.track.encoding.startswith("float")

    def clips(self) -> Iterator[Clip]:
        """Yield the clips of every piece, in seconds of the take."""
        for piece, measurement in self.measured:
            start_s = piece.start_samples / self.rate
            for clip in measurement.clips:
                yield replace(clip, start_s=clip.start_s + start_s, end_s=clip.end_s + start_s)

    def passages(self) -> Iterator[Passage]:
        """Yield the passages (one per setting of the gain) of every piece, in seconds of the take."""
        for piece, measurement in self.measured:
            start_s = piece.start_samples / self.rate
            for passage in measurement.passages:
                yield replace(passage, start_s=passage.start_s + start_s, end_s=passage.end_s + start_s)

    def samples(self, start_samples: int, stop_samples: int) -> NDArray[np.float64]:
        """Return a (n,) copy of the track's samples, clipped to its ends, non-finite ones as zero."""
        start = max(start_samples, 0)
        stop = min(stop_samples, self.trace.length_samples)
        if stop <= start:
            return np.zeros(0)
        read = self.reader.read([self.track.number], start, stop - start)
        samples = read[:, 0].astype(np.float64)
        if not np.isfinite(samples.sum()):
            samples[~np.isfinite(samples)] = 0.0
        return samples

    def finding(
        self,
        kind: str,
        start_s: float,
        end_s: float,
        *,
        confidence: float,
        severity: Severity,
        sentence: str,
        remedy: str,
        stage: Stage | None = None,
        **evidence: float | int | str | None,
    ) -> Finding:
        """Return a finding on this track, in the file that holds its start."""
        at = start_s * self.rate
        pieces = [p for p in self.track.pieces if p.start_samples <= at] or [self.track.pieces[0]]
        return Finding(
            take=self.take.id,
            file=pieces[-1].file,
            track=self.track.number,
            kind=kind,
            start_s=float(start_s),
            end_s=float(end_s),
            confidence=confidence,
            severity=severity,
            stage=stage,
            evidence=evidence,
            remedy=remedy,
            sentence=sentence,
        )


@dataclass(frozen=True)
class TakeEvidence:
    """One take with the evidence of all its tracks."""

    take: Take
    tracks: tuple[TrackEvidence, ...]
    reader: SampleReader

    def finding(
        self,
        kind: str,
        start_s: float,
        end_s: float,
        *,
        file: str | None = None,
        confidence: float,
        severity: Severity,
        sentence: str,
        remedy: str,
        **evidence: float | int | str | None,
    ) -> Finding:
        """Return a finding on the take or one of its files as a whole (track 0)."""
        return Finding(
            take=self.take.id,
            file=file if file is not None else self.take.files[0].path,
            track=0,
            kind=kind,
            start_s=float(start_s),
            end_s=float(end_s),
            confidence=confidence,
            severity=severity,
            stage=None,
            evidence=evidence,
            remedy=remedy,
            sentence=sentence,
        )
