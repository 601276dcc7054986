"""What one pass over a file gives: the numbers of the measurement contract, and the traces.

Field names are the keys of ``takewell measure --json``. Every RMS-like level is AES17 dBFS (a full-scale
sine reads 0). None stands for a number that does not exist, with the reason in `quality`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from takewell.measure.trace import Trace

ClipShape = Literal["full_scale", "rail", "soft", "undecided"]


@dataclass(frozen=True)
class Clip:
    """One stretch of samples held at a rail; clips less than 10 ms apart are one."""

    start_s: float
    end_s: float
    level_dbfs: float
    shape: ClipShape


@dataclass(frozen=True)
class Passage:
    """A stretch of a track recorded at one setting of the gain."""

    start_s: float
    end_s: float
    integrated_lufs: float | None
    speech_level_dbfs: float | None
    noise_floor_dbfs: float | None
    noise_floor_dbfs_a: float | None
    snr_db: float | None


@dataclass(frozen=True)
class TrackMeasurement:
    """One channel of a file, measured alone as mono."""

    channel: int
    name: str | None
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    rms_dbfs: float | None
    dc_offset_fs: float | None
    integrated_lufs: float | None
    loudness_range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    speech_level_dbfs: float | None
    speech_activity: float | None
    noise_floor_dbfs: float | None
    noise_floor_dbfs_a: float | None
    snr_db: float | None
    samples_over_full_scale: int
    nonfinite_samples: int
    passages: tuple[Passage, ...] = ()
    clips: tuple[Clip, ...] = ()
    quality: Mapping[str, str] = field(default_factory=dict)
    """Of each figure, how it was found or why it is missing."""
    limits: Mapping[str, str] = field(default_factory=dict)
    """Of those that are there but worth less than their decimals, why."""


@dataclass(frozen=True)
class Programme:
    """A file's channels together, with BS.1770 weights from the channel mask."""

    integrated_lufs: float | None
    loudness_range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    true_peak_dbtp: float | None


@dataclass(frozen=True)
class FileFormat:
    """How a file is stored; `container` is WAVE, RF64, BW64 or the name libsndfile gives."""

    container: str
    encoding: str
    sample_rate_hz: int
    channels: int
    length_samples: int
    duration_s: float


@dataclass(frozen=True)
class FileMeasurement:
    """Everything one pass over a file gives; `traces` has one entry per channel, in order."""

    file: str
    format: FileFormat
    tracks: tuple[TrackMeasurement, ...]
    programme: Programme | None
    notes: tuple[str, ...]
    traces: tuple[Trace, ...] = field(default=(), repr=False, compare=False)
